"""The rules about the service itself, each made to happen: with the real record, receipts and lines where it can be."""

import asyncio
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.clock import boot_id, elapsed_s
from daemon.configuration import load_maps, load_site
from daemon.record import Anchor, Batch, Record, RecordReader
from daemon.record.room import Room
from daemon.recorder import Recorder
from daemon.restarts import Restarts
from daemon.sending import run_send
from daemon.service import Service, ServiceOptions
from daemon.told_facts import LOOK_EVERY_S, SendingWatch, told_facts
from servers.mail_sink import MailSink, free_port
from servers.records import open_record
from servers.site_rig import SiteRig, wait_for
from servers.watched_site import HOUR_S, WatchedSite, a_site
from shared.site import Site, WayOut


class Keeping:
    """A watched site whose service is made by hand."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.recorder = Recorder(lambda: open_record(folder), clock=lambda: 0.0, commit_s=10.0)
        self.sending = SendingWatch(folder / "sending", boot_id())
        self.restarts = Restarts(now_s=0.0)
        self.anchor: Anchor | None = Anchor(1, 0.0, 1_790_000_000.0, 1.0, "operator")
        self.site = WatchedSite(step_s=60.0)

    def run(self, length_s: float) -> list[tuple[str, str, str]]:
        """Let time pass; gives what was told about the service."""
        found = []
        end_s = self.site.now_s + length_s
        while self.site.now_s < end_s:
            told = told_facts(
                self.site.now_s, anchor=self.anchor, recorder=self.recorder, lines={}, sending=self.sending,
                restarts=self.restarts,
            )  # fmt: skip
            self.site.told = told
            found += [(e.alert, e.state, e.severity) for e in self.site.run(60.0) if e.told]
        return found


@pytest.fixture
def keeping(tmp_path: Path) -> Keeping:
    return Keeping(tmp_path)


def room(used: int = 1, free: int = 10**10) -> Room:
    return Room(used_bytes=used * 10**6, budget_bytes=100 * 10**6, disk_free_bytes=free, log_bytes=0, ballast=True)


def test_a_service_in_good_order_tells_nothing(keeping: Keeping) -> None:
    keeping.recorder.room = room()
    assert keeping.run(2 * HOUR_S) == []


def test_a_day_without_a_trusted_clock_is_told(keeping: Keeping) -> None:
    keeping.anchor = None
    assert keeping.run(23.9 * HOUR_S) == []
    assert keeping.run(0.3 * HOUR_S) == [("clock-untrusted", "raised", "advice")]
    keeping.anchor = Anchor(1, 0.0, 1_790_000_000.0, 1.0, "operator")
    assert keeping.run(180.0) == [("clock-untrusted", "cleared", "advice")]


def test_a_record_that_takes_nothing_grows_urgent_and_covers_its_disk(keeping: Keeping) -> None:
    keeping.recorder.failing_since_s = keeping.site.now_s
    keeping.recorder.room = room(free=5 * 10**6)
    assert keeping.run(7 * HOUR_S) == [("record-not-kept", "raised", "act"), ("record-not-kept", "grown", "urgent")]
    assert "disk-low" in keeping.site.standing
    keeping.recorder.failing_since_s = None
    assert keeping.run(0.2 * HOUR_S) == [("record-not-kept", "cleared", "urgent"), ("disk-low", "uncovered", "urgent")]


@pytest.mark.parametrize(("state", "alert", "severity"), [
    (room(free=60 * 10**6), "disk-low", "act"), (room(used=99), "record-full", "advice"),
])  # fmt: skip
def test_a_disk_and_a_budget_that_end_are_told(keeping: Keeping, state: Room, alert: str, severity: str) -> None:
    keeping.recorder.room = state
    assert keeping.run(1.5 * HOUR_S) == [(alert, "raised", severity)]
    keeping.recorder.room = room()
    assert keeping.run(0.5 * HOUR_S) == [(alert, "cleared", severity)]


def test_damaged_pieces_are_told_until_they_are_set_aside(keeping: Keeping) -> None:
    async def live() -> None:
        await keeping.recorder.open()
        keeping.recorder.damaged_rows = 2
        assert keeping.run(120.0) == [("record-damaged", "raised", "act")]
        assert keeping.site.station.alerts.standing[0].value == 2.0
        keeping.recorder.damaged_rows = 0
        assert keeping.run(120.0) == [("record-damaged", "cleared", "act")]
        await keeping.recorder.close()

    asyncio.run(live())


def queue(folder: Path, *keys: str) -> None:
    record = Record.open(folder, boot_id=boot_id(), elapsed_s=elapsed_s(), wall_utc_s=1_790_000_000.0)
    notices = [
        {"key": key, "at_s": 1.0, "severity": "urgent", "subject": key, "text": "", "short": key} for key in keys
    ]
    record.commit(Batch(notices=list(notices), until_s=elapsed_s()))
    record.close()


def send_once(folder: Path, port: int) -> int:
    way = WayOut("mail", "mail", server="127.0.0.1", port=port, security="none", to=("a@example.org",))
    base = a_site()
    site = Site(base.place, base.bank, ways_out={"mail": way})
    return run_send(
        site,
        state_folder=folder,
        send_folder=folder / "sending",
        runtime_folder=folder,
        secrets_folder=folder,
        once=True,
    )


def test_a_way_that_takes_nothing_for_six_hours_is_told_until_it_does(keeping: Keeping) -> None:
    keeping.site.now_s = elapsed_s()  # the receipts are dated by this boot
    queue(keeping.folder, "a")
    keeping.sending.noticed(keeping.site.now_s)
    assert send_once(keeping.folder, free_port()) == 1
    assert keeping.run(5.8 * HOUR_S) == []
    assert keeping.run(0.4 * HOUR_S) == [("sending-stuck", "raised", "act")]
    with MailSink() as sink:
        assert send_once(keeping.folder, sink.port) == 0
    assert keeping.run(2 * LOOK_EVERY_S + 60.0) == [("sending-stuck", "cleared", "act")]


def test_notices_that_nobody_reads_are_told_though_no_way_fails(keeping: Keeping) -> None:
    keeping.sending.noticed(keeping.site.now_s)
    assert keeping.run(6.2 * HOUR_S) == [("sending-stuck", "raised", "act")]


def test_one_way_that_works_does_not_hide_a_sender_that_is_gone(keeping: Keeping) -> None:
    keeping.site.now_s = elapsed_s()
    queue(keeping.folder, "a")
    with MailSink() as sink:
        assert send_once(keeping.folder, sink.port) == 0
    assert keeping.run(HOUR_S) == []
    queue(keeping.folder, "b")
    keeping.sending.noticed(keeping.site.now_s)
    assert keeping.run(6.2 * HOUR_S) == [("sending-stuck", "raised", "act")]


# -- through the whole service -----------------------------------------------------------------


def alerts_of(folder: Path) -> dict[str, str]:
    """The last text of a notice by alert, as far as the record has any."""
    with RecordReader(folder) as reader:
        return {str(row.body["alert"]): str(row.body["text"]) for row in reader.notices()}


def test_a_killed_service_tells_so_once_and_a_stopped_one_does_not(tmp_path: Path) -> None:
    with SiteRig(tmp_path / "site") as rig:
        rig.start().wait_until_reading()
        rig.services[-1].kill()
        second = rig.start()
        second.wait_for(lambda p: any(a["alert"] == "service-restarted" for a in p["alerts"]))
        assert second.stop() == 0
        text = " ".join(alerts_of(rig.folders.state)["service-restarted"].split())
        assert "the service crashed or was killed; nobody watched for about" in text
        with RecordReader(rig.folders.state) as reader:
            before = len(reader.alert_events())
        third = rig.start()
        third.wait_for(lambda p: p["record"]["commits"] >= 2)
        assert third.stop() == 0
        with RecordReader(rig.folders.state) as reader:
            assert len(reader.alert_events()) == before


def test_a_record_locked_by_another_program_is_told_when_it_is_free(tmp_path: Path) -> None:
    more = "[alert.record-not-kept]\nraise = 0.5\nclear = 0.5\n[alert.clock-untrusted]\nraise = 0.01\nclear = 0.01"
    with SiteRig(tmp_path / "site", more=more, commit_s=0.5) as rig:
        service = rig.start()
        service.wait_until_reading()
        with sqlite3.connect(rig.folders.state / "record.db", isolation_level=None) as other:
            other.execute("begin immediate")
            service.wait_for(lambda p: any(a["alert"] == "record-not-kept" for a in p["alerts"]), limit_s=40.0)
            other.execute("rollback")
        other.close()
        wait_for(lambda: "record-not-kept" in alerts_of(rig.folders.state), about="the notice")
        assert "clock-untrusted" in alerts_of(rig.folders.state), "no time service runs where tests do"
        assert service.stop() == 0


def test_a_port_that_is_gone_is_one_notice_about_the_line(tmp_path: Path) -> None:
    more = "[alert.line-down]\nraise = 3\n[alert.instrument-silent]\nraise = 6\nclear = 5"
    with SiteRig(tmp_path / "site", more=more) as rig:
        service = rig.start()
        service.wait_until_reading()
        rig.port.vanish()
        wanted = {
            "line-down:rs485": None,
            "instrument-silent:shunt": "line-down:rs485",
            "instrument-silent:controller": "line-down:rs485",
        }
        service.wait_for(lambda p: wanted.items() <= {a["alert"]: a["covered_by"] for a in p["alerts"]}.items(), 30.0)
        assert service.stop() == 0
        told = set(alerts_of(rig.folders.state))
        assert "line-down:rs485" in told and not {name for name in told if name.startswith("instrument-silent")}


def test_heartbeat_and_summary_go_out_on_elapsed_time(tmp_path: Path) -> None:
    """The service's own clock is moved on by 25 h under it; nothing else knows the time."""
    with SiteRig(tmp_path / "site", more="[notices]\nheartbeat_h = 12\nsummary = true") as rig:
        ahead_s = 0.0
        site = load_site(rig.site_file)
        service = Service(
            site, load_maps(site), ServiceOptions(rig.site_file, rig.folders, send_child=False),
            clock=lambda: elapsed_s() + ahead_s,
        )  # fmt: skip
        rig.folders.state.mkdir(parents=True)
        rig.folders.runtime.mkdir(parents=True)

        async def live() -> None:
            nonlocal ahead_s
            running = asyncio.create_task(service.run())
            await until(lambda: service.recorder.commits >= 1 and service.station.fed_s is not None)
            ahead_s = 25.0 * HOUR_S
            await until(lambda: {"heartbeat", "summary"} <= set(alerts_of(rig.folders.state)))
            service._stop.set()
            await running

        asyncio.run(live())
        assert "Charge:" in alerts_of(rig.folders.state)["summary"]
        with RecordReader(rig.folders.state) as reader:
            told = [str(row.body["alert"]) for row in reader.notices()]
            saved = reader.saved("regular")
        assert (told.count("heartbeat"), told.count("summary")) == (1, 1)
        assert saved is not None and float(str(saved.body["summary"])) < 2 * HOUR_S


async def until(what: Callable[[], bool], limit_s: float = 30.0) -> None:
    async with asyncio.timeout(limit_s):
        while not what():  # noqa: ASYNC110
            await asyncio.sleep(0.02)
