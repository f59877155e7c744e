"""The recorder's housekeeping: it seals between commits, on the writer's thread, and tells how much room there is."""

import asyncio
import logging
import time
from pathlib import Path

import pytest

from daemon.errors import StoreError
from daemon.record import Batch, Record, RecordReader, Room
from daemon.recorder import Recorder
from servers.records import open_record
from shared.readings import Reading

LIMIT_S = 20.0
LATE_S = 3 * 3600.0


async def until_sealed(folder: Path, failing: int = 0) -> tuple[Recorder, int]:
    began_s = time.monotonic()
    done = asyncio.Event()
    records: list[Record] = []
    commits = 0

    def opened() -> Record:
        record = open_record(folder, elapsed_s=LATE_S)
        records.append(record)
        tend = record.tend
        left = [failing]

        def tend_or_fail(elapsed_s: float) -> bool:
            if left[0]:
                left[0] -= 1
                raise StoreError("no room for sealing")
            return tend(elapsed_s)

        record.tend = tend_or_fail  # type: ignore[method-assign]
        return record

    recorder = Recorder(opened, clock=lambda: LATE_S + time.monotonic() - began_s, commit_s=0.05)

    def attempted(now_s: float) -> None:
        nonlocal commits
        commits += 1
        if records[0].sealed.hours == 2 and recorder.room is not None:
            done.set()

    await recorder.open()
    task = asyncio.create_task(recorder.run(attempted, lambda now_s: None))
    async with asyncio.timeout(LIMIT_S):
        await done.wait()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await recorder.close()
    return recorder, commits


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    record = open_record(tmp_path, elapsed_s=0.0)
    for hour in (0, 1):
        readings = [Reading("shunt", hour * 3600.0 + n, {"bank_v": 13.0 + n / 1000.0}) for n in range(0, 3600, 10)]
        record.commit(Batch(readings=readings, until_s=(hour + 1) * 3600.0))
    record.close()
    return tmp_path


def test_the_recorder_seals_what_is_over_and_tells_how_much_room_there_is(folder: Path) -> None:
    recorder, commits = asyncio.run(until_sealed(folder))
    assert commits > 1
    assert recorder.record_used_share is not None
    assert 0.0 < recorder.record_used_share < 1.0
    assert recorder.disk_free_mb is not None
    assert recorder.disk_free_mb > 0.0
    assert recorder.record_failing_s(1e6) == 0.0
    with RecordReader(folder) as reader:
        assert len(list(reader.readings())) == 720


def test_sealing_that_fails_is_told_and_tried_again_and_keeps_no_commit(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO, "halfmark.record"):
        recorder, commits = asyncio.run(until_sealed(folder, failing=3))
    assert commits > 3
    assert recorder.why is None
    assert any("sealing the record" in line and "no room for sealing" in line for line in caplog.messages)


def test_who_keeps_the_log_growing_is_said_once_and_when_it_is_over(
    caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    recorder = Recorder(lambda: open_record(tmp_path / "never"), clock=lambda: 5.0, commit_s=1.0)
    recorder.room = Room(1, None, 1, 40_000_000, ballast=True)
    with caplog.at_level(logging.INFO, "halfmark.record"):
        recorder._look_at_log(["reader (77)"])
        recorder._look_at_log(["reader (77)"])
        recorder._look_at_log([])
    assert "has grown to 40 MB, kept from shrinking by reader (77)" in caplog.messages[0]
    assert len(caplog.messages) == 2
    asyncio.run(recorder.close())
