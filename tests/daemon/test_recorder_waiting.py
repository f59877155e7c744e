"""While the record refuses, or takes long, what waits lies where `send` reads it; in the record it is once."""

import asyncio
import threading
from collections.abc import Coroutine
from pathlib import Path

import pytest

from daemon import recorder as recorder_module
from daemon.errors import StoreFull, StoreReadOnly
from daemon.record import Batch, Record, RecordReader
from daemon.recorder import Recorder
from daemon.waiting_file import EVENTS_MOST, NOTICES_MOST, Waiting, WaitingFile
from servers.records import BOOT, open_record
from shared.alerts import AlertEvent
from shared.notices import Notice

LIMIT_S = 10.0


def told(number: int, severity: str = "act") -> tuple[AlertEvent, Notice]:
    at_s = 200.0 + number
    event = AlertEvent(number, "bank-hot", "bank-hot", "raised", at_s, at_s, True, 61.0, 61.0, 45.0, severity)
    return event, Notice(
        f"k{number}", number, "bank-hot", "bank-hot", "raised", severity, at_s, None, "Ridge", "hot", "x\n", "x"
    )


class Site:
    """A recorder on a real record whose commits can be refused or held up."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = WaitingFile(folder, BOOT)
        self.refuses = False
        self.free = threading.Event()
        self.free.set()
        self.woken = 0
        self.recorder = self.make()

    def make(self) -> Recorder:
        return Recorder(self._open, clock=lambda: 300.0, commit_s=10.0, waiting=self.file, laid_out=self._wake)

    def _wake(self) -> None:
        self.woken += 1

    def _open(self) -> Record:
        if self.refuses:
            raise StoreReadOnly("mounted read-only")
        record = open_record(self.folder / "record")
        stores = record.commit

        def commit(batch: Batch) -> None:
            assert self.free.wait(LIMIT_S)
            if self.refuses:
                raise StoreFull("make room")
            stores(batch)

        record.commit = commit  # type: ignore[method-assign]
        return record

    def waiting(self) -> list[object]:
        return [row["key"] for row in self.file.read().notices]

    def recorded(self) -> tuple[list[object], list[object]]:
        with RecordReader(self.folder / "record") as reader:
            notices = [row.body["key"] for row in reader.notices(0, 1000)]
            return notices, [event.body["id"] for event in reader.alert_events(after_id=0)]


def run(work: Coroutine[object, object, None]) -> None:
    asyncio.run(asyncio.wait_for(work, LIMIT_S))


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(tmp_path)


def test_what_is_refused_is_laid_out_once_each_time_something_is_new_and_gone_when_stored(site: Site) -> None:
    async def work() -> None:
        made = site.recorder
        await made.open()
        made.add_event(*told(1))
        assert await made.commit()
        assert (site.waiting(), site.woken) == ([], 0)
        site.refuses = True
        made.add_event(*told(2))
        made.set_state("alerts", {"version": 2})
        assert not await made.commit()
        assert (site.waiting(), site.woken) == (["k2"], 1)
        assert site.file.read().states == {"alerts": {"version": 2}}
        assert not await made.commit()
        assert site.woken == 1, "nothing was new"
        made.add_event(*told(3))
        assert not await made.commit()
        assert (site.waiting(), site.woken) == (["k2", "k3"], 2)
        site.refuses = False
        assert await made.commit()
        assert not site.file.path.exists()
        await made.close()

    run(work())
    assert site.recorded() == (["k1", "k2", "k3"], [1, 2, 3])


def test_a_record_that_can_t_be_opened_holds_no_notice_back(site: Site) -> None:
    async def work() -> None:
        site.refuses = True
        await site.recorder.open()
        site.recorder.add_notice(told(1)[1])
        assert not await site.recorder.commit()
        assert site.waiting() == ["k1"]
        await site.recorder.close()
        assert site.waiting() == ["k1"], "what can't be stored at the end is left to the next service"

    run(work())


def test_a_commit_that_takes_long_holds_no_notice_back(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "SLOW_COMMIT_S", 0.01)
    laid_out = asyncio.Event()

    async def work() -> None:
        made = site.recorder
        made._laid_out = laid_out.set
        await made.open()
        site.free.clear()
        made.add_event(*told(1))
        commit = asyncio.create_task(made.commit())
        await laid_out.wait()
        laid_out.clear()
        made.add_event(*told(2))
        await laid_out.wait()
        assert site.waiting() == ["k1", "k2"]
        site.free.set()
        assert await commit
        assert not site.file.path.exists()
        laid_out.clear()
        site.refuses = True
        assert not await made.commit()
        assert site.waiting() == ["k2"], "it came in during the commit, and the next one is refused"
        site.refuses = False
        assert await made.commit()
        await made.close()

    run(work())
    assert site.recorded() == (["k1", "k2"], [1, 2])


@pytest.mark.parametrize("is_stored", [True, False])
def test_what_is_taken_up_after_a_kill_is_in_the_record_once(site: Site, is_stored: bool) -> None:
    """Whether the kill came before the commit or between it and the end of the file."""
    events, notices = zip(*map(told, (1, 2)), strict=True)
    if is_stored:
        record = open_record(site.folder / "record")
        record.commit(Batch(events=list(events), notices=list(notices), until_s=250.0))
        record.close()
    site.file.put([Batch(events=list(events), notices=list(notices))], 250.0)

    async def work() -> None:
        site.refuses = True
        await site.recorder.open()
        site.recorder.take_up(site.file.read())
        site.recorder.add_event(*told(3))
        assert not await site.recorder.commit()
        assert site.waiting() == ["k1", "k2", "k3"]
        site.refuses = False
        await site.recorder.close()

    run(work())
    assert site.recorded() == (["k1", "k2", "k3"], [1, 2, 3])
    assert not site.file.path.exists()


def test_what_waits_is_bounded_and_what_goes_is_said(site: Site, caplog: pytest.LogCaptureFixture) -> None:
    made = site.recorder
    made.add_event(*told(0, "urgent"))
    for number in range(1, EVENTS_MOST + 10):
        made.add_event(*told(number, "advice"))
    site.file.put([made._pending], 1.0)
    assert site.waiting() == ["k0", *(f"k{n}" for n in range(EVENTS_MOST + 11 - NOTICES_MOST, EVENTS_MOST + 10))]
    assert len(site.file.read().events) == EVENTS_MOST
    assert "notice k1 is not recorded" in caplog.text


def test_a_runtime_folder_that_can_t_be_written_is_said_and_stops_nothing(
    site: Site, caplog: pytest.LogCaptureFixture
) -> None:
    site.file = WaitingFile(site.folder / "none", BOOT)
    site.recorder = site.make()

    async def work() -> None:
        await site.recorder.open()
        site.refuses = True
        site.recorder.add_event(*told(1))
        assert not await site.recorder.commit()
        site.refuses = False
        await site.recorder.close()

    run(work())
    assert "none/waiting.json can't be written" in caplog.text
    assert site.recorded() == (["k1"], [1])


def test_nothing_is_taken_up_from_an_empty_file(site: Site) -> None:
    assert not Waiting()
    assert not site.file.read()
