"""The real service with a shunt that talks by itself and a controller over TCP: their faults, and their return."""

import time
from itertools import chain, repeat
from pathlib import Path

import pytest

from daemon.record import RecordReader
from drivers.virtual.tcp_port import TCP_FAULTS
from drivers.virtual.text_stream import STREAM_FAULTS
from servers.mixed_rig import MixedRig
from servers.site_rig import wait_for
from shared.readings import Reading

BANK_V_SCALE = 0.01  # of config/maps/example-controller.toml
REPLUG_S = 5.0
WAIT_S = 1.5  # how much later than said a record may be stamped on a busy machine; it bounds nothing but this test


def stored(rig: MixedRig, instrument: str) -> list[Reading]:
    with RecordReader(rig.folders.state) as reader:
        return [placed.reading for placed in reader.readings(instrument=instrument)]


def check_shunt(rig: MixedRig, readings: list[Reading]) -> None:
    """Each reading is one the shunt said, not long before; and no record became two readings."""
    said = [row for row in rig.stream.said if row[2] in (None, "glued", "junk", "impossible")]
    used = []
    for reading in readings:
        # "missing" bank_c or an impossible first value leave the others to know the record by.
        near = [
            number
            for number, (at_s, values, _) in enumerate(said)
            if reading.at_s - WAIT_S <= at_s <= reading.at_s + 0.01
            and all(abs((values[q] or 0.0) - value) < 0.0006 for q, value in reading.values.items())
        ]
        assert near, reading
        used.append(reading.at_s)
    assert all(b - a > 0.04 for a, b in zip(used, used[1:], strict=False))


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_both_ways_in_are_stored_as_they_were_said(tmp_path: Path, framing: str) -> None:
    with MixedRig(tmp_path / "site", framing=framing) as rig:
        service = rig.start()
        service.wait_for(lambda p: all(p["instruments"][n]["answered"] >= 3 for n in ("shunt", "controller")))
        picture = service.picture()
        assert service.stop() == 0
        assert picture is not None
        assert picture["quantities"]["bank_v"]["instrument"] == "shunt"
        assert picture["lines"]["net"]["port"] == rig.tcp_port.endpoint
        shunt, controller = stored(rig, "shunt"), stored(rig, "controller")
    check_shunt(rig, shunt)
    assert len(shunt) >= 3 and len(controller) >= 3
    assert rig.line.writes == 0


def test_every_fault_of_the_stream_is_counted_and_none_is_stored(tmp_path: Path) -> None:
    plan = chain([None] * 4, *([name, None, None] for name in STREAM_FAULTS), repeat(None))
    with MixedRig(tmp_path / "site", stream_faults=lambda: next(plan)) as rig:
        service = rig.start()
        wait_for(lambda: len(rig.stream.said) >= 3 * len(STREAM_FAULTS) + 20, about="the shunt's records")
        picture = service.picture()
        assert picture is not None
        counts = picture["instruments"]["shunt"]
        assert counts["garbled"] >= 5 and counts["silent"] >= 2 and counts["suspect"] == 1
        assert service.stop() == 0
        check_shunt(rig, stored(rig, "shunt"))


def test_every_fault_of_the_connection_is_survived(tmp_path: Path) -> None:
    plan = chain([None] * 6, *([name, *[None] * 4] for name in TCP_FAULTS if name != "hung"), ["hung"], repeat(None))
    with MixedRig(tmp_path / "site", tcp_faults=lambda: next(plan), controller_s=0.2) as rig:
        service = rig.start()
        service.wait_for(lambda p: p["instruments"]["controller"]["answered"] >= 3)
        wait_for(lambda: rig.tcp_port.connections >= 3, about="the third connection")
        before = service.picture()
        assert before is not None
        answered = before["instruments"]["controller"]["answered"]
        service.wait_for(lambda p: p["instruments"]["controller"]["answered"] >= answered + 5)
        assert service.stop() == 0
        for reading in stored(rig, "controller"):
            shown = rig.line.was(1, "holding", 2208, 1, reading.at_s - WAIT_S, reading.at_s)
            assert round(reading.values["bank_v"] / BANK_V_SCALE) in [registers[0] for registers in shown]
    assert rig.line.writes == 0


def test_a_replugged_port_and_a_restarted_endpoint_are_taken_up_within_five_seconds(tmp_path: Path) -> None:
    with MixedRig(tmp_path / "site") as rig:
        service = rig.start()
        service.wait_until_reading()
        rig.port.vanish()
        rig.tcp_port.stop()
        service.wait_for(lambda p: not p["lines"]["talk"]["up"] and not p["lines"]["net"]["up"])
        lost = service.picture()
        assert lost is not None
        before = {name: one["answered"] for name, one in lost["instruments"].items()}
        rig.port.come_back()
        rig.tcp_port.start()
        back_s = time.monotonic()
        service.wait_for(lambda p: all(one["answered"] > before[name] for name, one in p["instruments"].items()))
        assert time.monotonic() - back_s < REPLUG_S + 1.0  # one for the looking, on a busy machine
        assert service.stop() == 0
        check_shunt(rig, stored(rig, "shunt"))
