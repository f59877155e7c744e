"""The recorder keeps what can't be stored, and stores it later, in order and once."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from daemon import recorder as recorder_module
from daemon.errors import StoreBusy, StoreError, StoreFull
from daemon.record import Batch, Damage, Record, RecordReader, Sealed
from daemon.record.patrol import Patrol
from daemon.recorder import Recorder
from servers.stepped_loop import SteppedLoop
from shared.readings import Reading

BOOT = "a" * 32


class FakeRecord:
    """A record that refuses as long as the test says so."""

    def __init__(self) -> None:
        self.refuses: StoreError | None = None
        self.stored: list[Batch] = []
        self.closed = False
        self.room = None
        self.set_aside: Path | None = None
        self.patrol, self.sealed = Patrol(), Sealed()
        self.newly_damaged: list[Damage] = []

    def commit(self, batch: Batch) -> None:
        if self.refuses is not None:
            raise self.refuses
        self.stored.append(replace(batch, readings=list(batch.readings), state=dict(batch.state)))

    def tend(self, elapsed_s: float) -> bool:
        return False

    def close(self) -> None:
        self.closed = True


def reading(at_s: float) -> Reading:
    return Reading("shunt", at_s, {"bank_v": 12.5})


def run(work: Callable[[Recorder, SteppedLoop], object], open_record: Callable[[], object]) -> None:
    """Run a piece of asynchronous work with a recorder on a loop with a clock of its own."""

    async def whole() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, SteppedLoop)
        made = Recorder(open_record, clock=loop.time, commit_s=10.0)  # type: ignore[arg-type]
        result = work(made, loop)
        assert asyncio.iscoroutine(result)
        await result

    loop = SteppedLoop()
    try:
        loop.run_until_complete(whole())
    finally:
        loop.close()


def test_what_a_full_disk_refused_goes_along_with_the_next_commit() -> None:
    record = FakeRecord()

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        await made.open()
        record.refuses = StoreFull("no room")
        made.add_reading(reading(1.0))
        made.set_state("picture", {"n": 1})
        assert not await made.commit()
        assert made.failing_since_s is not None and made.why == "no room"
        made.add_reading(reading(2.0))
        made.set_state("picture", {"n": 2})
        record.refuses = None
        assert await made.commit()
        assert made.failing_since_s is None and made.readings == 2

    run(work, lambda: record)
    (batch,) = record.stored
    assert [r.at_s for r in batch.readings] == [1.0, 2.0]
    assert batch.state == {"picture": {"n": 2}}


def test_hours_without_room_drop_the_oldest_and_count_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "PENDING_READINGS_MOST", 5)
    record = FakeRecord()
    record.refuses = StoreFull("no room")

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        await made.open()
        for at_s in range(4):
            made.add_reading(reading(float(at_s)))
        await made.commit()
        for at_s in range(4, 8):
            made.add_reading(reading(float(at_s)))
        await made.commit()
        assert made.dropped == 3
        record.refuses = None
        await made.commit()

    run(work, lambda: record)
    assert [r.at_s for r in record.stored[0].readings] == [3.0, 4.0, 5.0, 6.0, 7.0]


def test_a_record_that_cannot_be_opened_is_tried_again() -> None:
    record, tries = FakeRecord(), []

    def open_record() -> FakeRecord:
        tries.append(1)
        if len(tries) < 3:
            raise StoreError("folder is missing")
        return record

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        await made.open()
        made.add_reading(reading(1.0))
        while not record.stored:
            assert loop.time() < 1000.0 + 5 * recorder_module.REOPEN_EVERY_S, "it gave up"
            await asyncio.sleep(5.0)
            await made.commit()

    run(work, open_record)
    assert len(tries) == 3 and [r.at_s for r in record.stored[0].readings] == [1.0]


@pytest.mark.parametrize("mended", [True, False])
def test_at_the_end_a_record_that_could_not_be_opened_is_tried_once_more(
    mended: bool, caplog: pytest.LogCaptureFixture
) -> None:
    record, tries = FakeRecord(), []

    def open_record() -> FakeRecord:
        tries.append(1)
        if len(tries) == 1 or not mended:
            raise StoreError("folder is missing")
        return record

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        await made.open()
        made.add_reading(reading(1.0))
        await asyncio.sleep(1.0)
        await made.close()

    run(work, open_record)
    assert [r.at_s for batch in record.stored for r in batch.readings] == ([1.0] if mended else [])
    assert ("1 readings could not be stored and are lost: folder is missing" in caplog.text) is not mended


def test_a_second_service_is_the_callers_to_handle() -> None:
    def open_record() -> FakeRecord:
        raise StoreBusy("held by process 1")

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        with pytest.raises(StoreBusy):
            await made.open()

    run(work, open_record)


def test_it_commits_each_period_and_at_once_when_asked() -> None:
    record = FakeRecord()

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        attempts: list[float] = []
        await made.open()

        def before(now_s: float) -> None:
            made.set_state("n", {"at": now_s})

        task = asyncio.ensure_future(made.run(attempts.append, before))
        await asyncio.sleep(95.0)
        assert [round(at_s - 1000.0) for at_s in attempts] == [10, 20, 30, 40, 50, 60, 70, 80, 90]
        made.commit_soon()
        await asyncio.sleep(1.0)
        assert round(attempts[-1] - 1000.0) == 95
        task.cancel()
        await made.close()

    run(work, lambda: record)
    assert record.closed


def test_with_the_real_record(tmp_path: Path) -> None:
    def open_record() -> Record:
        return Record.open(tmp_path, boot_id=BOOT, elapsed_s=1000.0, wall_utc_s=0.0)

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        await made.open()
        made.add_reading(reading(1001.0))
        await made.close()

    run(work, open_record)
    with RecordReader(tmp_path) as reader:
        assert [placed.reading.at_s for placed in reader.readings()] == [1001.0]


def test_a_record_that_was_set_aside_is_told_for_a_day() -> None:
    record = FakeRecord()
    record.set_aside = Path("record.db.damaged-2026-05-01")

    async def work(made: Recorder, loop: SteppedLoop) -> None:
        assert made.set_aside is None and made.records_set_aside(loop.time()) == 0.0
        await made.open()
        assert made.set_aside == record.set_aside
        told = [made.records_set_aside(loop.time() + after_s) for after_s in (0.0, 86_000.0, 86_401.0)]
        assert told == [1.0, 1.0, 0.0]

    run(work, lambda: record)
