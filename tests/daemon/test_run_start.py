"""How each run of the real service ended, as the next one writes it down; and a record that was set aside."""

from pathlib import Path

from daemon.daybook_sources import DaybookSources
from daemon.record import RecordReader
from servers.site_rig import RunningService, SiteRig


def run_briefly(rig: SiteRig) -> RunningService:
    service = rig.start()
    service.wait_for(lambda p: p["record"]["readings"] >= 4)
    return service


def test_stops_and_kills_are_told_apart_by_the_next_run(tmp_path: Path) -> None:
    with SiteRig(tmp_path / "site") as rig:
        assert run_briefly(rig).stop() == 0
        run_briefly(rig).kill()
        assert run_briefly(rig).stop() == 0
        with RecordReader(rig.folders.state) as reader:
            runs = reader.runs()
            sources = DaybookSources.from_record(reader)
            newest = reader.newest_s()
            site = reader.state("site")
    assert [run.ended for run in runs] == ["", "stop", "crash"]
    assert runs[0].last is None and newest is not None
    for earlier, later in zip(runs, runs[1:], strict=False):
        assert later.last is not None and earlier.at_s < later.last[1] < later.at_s
    assert sources.currents == (("shunt", "bank_a", 1.0),) and sources.volts[0] == "shunt"
    assert site == {"file": str(rig.site_file), "name": "Test Ridge"}


def test_a_damaged_record_is_set_aside_said_and_an_alert(tmp_path: Path) -> None:
    with SiteRig(tmp_path / "site") as rig:
        rig.folders.state.mkdir(parents=True)
        (rig.folders.state / "record.db").write_bytes(b"SQLite format 3\0" + bytes(5000))
        service = rig.start()
        picture = service.wait_for(lambda p: p["alerts"])
        assert [alert["alert"] for alert in picture["alerts"]] == ["record-set-aside"]
        assert picture["service"]["note"].startswith("the record was damaged: it is now record.db.damaged-")
        assert service.stop() == 0
        with RecordReader(rig.folders.state) as reader:
            assert [run.ended for run in reader.runs()] == ["set aside"]
            assert [notice.body["alert"] for notice in reader.notices()] == ["record-set-aside"]
