"""The real service as a process, on real pseudo-terminals: its start, its faults, its ends."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.record import RecordReader
from drivers.virtual.faults import Fault, ListedFaults
from servers.site_rig import LIMIT_S, RunningService, SiteRig, notify_socket, wait_for

# What a lean service never loads: each costs memory that the budget of 36 MiB does not have.
HEAVY = ("influxdb_client", "rich", "plotext", "numpy", "pvlib", "matplotlib", "smtplib", "paho", "apscheduler", "http")


def test_the_service_loads_nothing_heavy() -> None:
    lines = "drivers.register_map_instrument, drivers.transports.serial_stream"  # loaded when a line is made
    code = f"import sys; import daemon.service, daemon.configuration, {lines}; print(' '.join(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "pymodbus.client" in loaded, "the drivers are loaded, so the list means something"
    assert not [name for name in loaded if name.split(".")[0] in HEAVY]


def test_the_running_service_has_no_tls_library_and_stays_in_its_memory(tmp_path: Path) -> None:
    """36 MiB is the budget; the library alone would be 4.5 of it."""
    with SiteRig(tmp_path / "site") as rig:
        service = rig.start()
        service.wait_until_reading()
        process = Path(f"/proc/{service.child.pid}")
        assert "_ssl" not in (process / "maps").read_text()
        resident_kib = int((process / "status").read_text().split("VmRSS:")[1].split()[0])
        assert service.stop() == 0
    assert resident_kib <= 36 * 1024


@pytest.fixture
def rig(tmp_path: Path) -> SiteRig:
    return SiteRig(tmp_path / "site")


def test_it_reports_to_the_service_manager_and_stops_cleanly(rig: SiteRig, tmp_path: Path) -> None:
    with rig, notify_socket(tmp_path) as (address, listener):
        env = {**os.environ, "NOTIFY_SOCKET": address, "WATCHDOG_USEC": "2000000"}
        env.pop("WATCHDOG_PID", None)
        service = rig.start(env=env)
        assert listener.recv(4096).startswith(b"READY=1\nSTATUS=")
        assert [listener.recv(4096) for _ in range(2)] == [b"WATCHDOG=1"] * 2
        service.wait_until_reading()
        service.child.send_signal(signal.SIGTERM)
        said = b""
        while not said.startswith(b"STOPPING=1"):
            said = listener.recv(4096)
        assert service.child.wait(LIMIT_S) == 0


def test_what_was_stored_is_what_the_instruments_showed(rig: SiteRig) -> None:
    with rig:
        service = rig.start()
        service.wait_for(lambda p: p["instruments"]["shunt"]["answered"] >= 8)
        assert service.stop() == 0
        with RecordReader(rig.folders.state) as reader:
            stored = [placed.reading for placed in reader.readings(instrument="shunt")]
    assert len(stored) >= 8
    for reading in stored:
        shown = rig.line.was(2, "input", 1510, 1, reading.at_s - 0.6, reading.at_s)
        assert round(reading.values["bank_v"] * 1000) in [registers[0] for registers in shown]


def test_a_second_service_is_refused_and_the_first_goes_on(rig: SiteRig) -> None:
    with rig:
        first = rig.start()
        first.wait_until_reading()
        second = rig.start()
        assert second.child.wait(LIMIT_S) == 3
        words = second.log.read_text()
        assert str(first.child.pid) in words and "Traceback" not in words
        assert first.picture() is not None
        assert first.stop() == 0


def test_after_a_kill_nothing_that_was_acknowledged_is_lost(rig: SiteRig) -> None:
    with rig:
        first = rig.start()
        seen = first.wait_for(lambda p: p["record"]["readings"] >= 20)["record"]["readings"]
        first.kill()
        second = rig.start()
        second.wait_until_reading()
        assert second.stop() == 0
        with RecordReader(rig.folders.state) as reader:
            stored = list(reader.readings())
            assert len(reader.boots()) == 1, "a restart in the same boot is the same boot"
    keys = [(placed.reading.instrument, placed.reading.at_s) for placed in stored]
    assert len(keys) >= seen and len(set(keys)) == len(keys)


def test_the_estimate_goes_on_where_it_was(rig: SiteRig) -> None:
    with rig:
        first = rig.start()
        before = first.wait_for(lambda p: p["instruments"]["shunt"]["answered"] >= 12)
        first.kill()
        second = rig.start()
        after = second.wait_until_reading()
        assert second.stop() == 0
    assert abs(after["soc_frac"] - before["soc_frac"]) < 0.02
    assert after["soc_sigma"] < before["soc_sigma"] + 0.01, "it is not a start from nothing"


def test_a_missing_port_is_said_and_found_when_it_comes(rig: SiteRig) -> None:
    with rig:
        rig.port.vanish()
        service = rig.start()
        picture = service.wait_for(lambda p: p["lines"]["rs485"]["why"])
        assert not picture["lines"]["rs485"]["up"] and "missing" in picture["lines"]["rs485"]["why"]
        rig.port.come_back()
        service.wait_until_reading()
        rig.port.vanish()
        service.wait_for(lambda p: not p["lines"]["rs485"]["up"])
        answered = service.picture()["instruments"]["shunt"]["answered"]  # type: ignore[index]
        rig.port.come_back()
        service.wait_for(lambda p: p["instruments"]["shunt"]["answered"] > answered, limit_s=6.0)
        assert service.stop() == 0


def test_a_busy_port_is_said(rig: SiteRig) -> None:
    with rig:
        first = rig.start()
        first.wait_until_reading()
        other = SiteRig(rig.folder.parent / "other")
        with other:
            other.write_site(port=rig.port_link)
            second = other.start()
            picture = second.wait_for(lambda p: p["lines"]["rs485"]["why"])
            assert "another program" in picture["lines"]["rs485"]["why"]
            assert second.stop() == 0
        assert first.stop() == 0


def test_a_silent_instrument_is_an_alert_that_survives_a_kill_once(tmp_path: Path) -> None:
    """Raised once, and standing after kill and restart without being raised again."""
    faults = ListedFaults([Fault("silent", lasts=10_000)], unit=1)
    more = "[alert.instrument-silent]\nraise = 6\nclear = 5\n[alert.half-mark-ahead]\noff = true"
    with SiteRig(tmp_path / "site", faults=faults, more=more, shunt_s=1.0) as rig:
        first = rig.start()
        first.wait_for(lambda p: [a for a in p["alerts"] if a["alert"] == "instrument-silent:controller"])
        first.wait_for(lambda p: p["record"]["last_commit_age_s"] is not None and p["record"]["last_commit_age_s"] < 1)
        first.kill()
        second = rig.start()
        second.wait_for(lambda p: p["alerts"] and p["service"]["up_s"] > 6.0)
        assert second.stop() == 0
        with RecordReader(rig.folders.state) as reader:
            events = [(e.alert, e.state) for e in reader.alert_events()]
            notices = [n.body["alert"] for n in reader.notices()]
    # The kill itself is told as well, once.
    assert events == [("instrument-silent:controller", "raised"), ("service-restarted", "raised")]
    assert notices == ["instrument-silent:controller", "service-restarted"]


def test_a_record_that_cannot_be_written_stops_neither_polling_nor_answering(rig: SiteRig) -> None:
    with rig:
        rig.folders.state.parent.mkdir(parents=True, exist_ok=True)
        rig.folders.state.mkdir()
        (rig.folders.state / "record.db").mkdir()  # nothing that root could write to either
        service = rig.start()
        picture = service.wait_for(lambda p: p["record"]["why"] and p["instruments"]["shunt"]["answered"] > 4)
        assert "record.db" in picture["record"]["why"]
        assert service.stop() == 0


def test_a_broken_site_file_ends_it_with_every_mistake(rig: SiteRig) -> None:
    with rig:
        rig.write_site(more="[load.radio]\nidle_b = 1\n[alert.no-such-rule]\nraise = 3")
        service = rig.start()
        assert service.child.wait(LIMIT_S) == 2
        words = service.log.read_text()
        assert "idle_b" in words and "no-such-rule" in words and "Traceback" not in words


def test_wrong_data_on_the_line_is_counted_and_never_stored(tmp_path: Path) -> None:
    kinds = (
        "bad-crc",
        "cut",
        "exception",
        "wrong-unit",
        "wrong-function",
        "short",
        "long",
        "noise",
        "nan",
        "impossible",
    )
    plan = [None] * 6 + [fault for kind in kinds for fault in (Fault(kind), *[None] * 4)]
    faults = ListedFaults(plan, unit=2)
    with SiteRig(tmp_path / "site", faults=faults) as rig:
        service = rig.start()
        service.wait_for(lambda p: p["instruments"]["shunt"]["asked"] >= 40)
        counts = service.picture()
        assert service.stop() == 0
        with RecordReader(rig.folders.state) as reader:
            stored = [placed.reading for placed in reader.readings(instrument="shunt")]
    assert counts is not None
    shunt = counts["instruments"]["shunt"]
    assert shunt["silent"] + shunt["refused"] + shunt["garbled"] > 0
    for reading in stored:
        if "bank_v" not in reading.values:
            continue
        shown = rig.line.was(2, "input", 1510, 1, reading.at_s - 0.6, reading.at_s)
        assert round(reading.values["bank_v"] * 1000) in [registers[0] for registers in shown]


def _alive(service: RunningService) -> bool:
    return service.child.poll() is None


def test_nonsense_on_the_socket_and_lost_terminals_leave_it_alone(rig: SiteRig) -> None:
    with rig:
        service = rig.start()
        service.wait_until_reading()
        for form in ("--json", "--plain", "--line"):
            done = subprocess.run(
                [sys.executable, "-m", "daemon.main", "status", "--state", str(rig.folders.state), form],
                capture_output=True,
                text=True,
                check=False,
            )
            assert done.returncode == 0 and "Test Ridge" in done.stdout
        wait_for(lambda: _alive(service))
        assert service.stop() == 0
