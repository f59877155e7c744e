"""The last day and the days past, read from a real record."""

from collections.abc import Iterator
from datetime import UTC
from pathlib import Path

import pytest

from daemon.clock import Anchor
from daemon.picture import Picture
from daemon.record import Batch, Record, RecordReader
from daemon.screens.past import DAY_S, Axis, LastDay, PastDay, days_past, zone_of
from shared.readings import Reading

BOOT, EARLIER = "a" * 32, "b" * 32
NOON_UTC_S = 1_767_268_800.0  # 2026-01-01 12:00 UTC
STEP_S = 60.0
HOURS = 30


def readings(start_s: float, hours: float, *, soc: float = 0.8) -> list[Reading]:
    """A plain day: 40 W and 3 A from the sun in hours 6 to 12 of each 24, -0.5 A at the bank but for them."""
    found = []
    for step in range(int(hours * 3600.0 / STEP_S)):
        at_s = start_s + step * STEP_S
        sunny = 6.0 <= (at_s / 3600.0) % 24.0 < 12.0
        charge_a = 3.0 if sunny else 0.0
        found.append(Reading("shunt", at_s, {"bank_a": charge_a - 0.5}))
        found.append(Reading("controller", at_s, {"panel_w": 40.0 if sunny else 0.0, "charge_a": charge_a}))
        found.append(Reading("halfmark", at_s, {"soc_frac": soc, "soc_sigma": 0.02}))
    return found


def write(folder: Path, boot: str, batches: list[list[Reading]], *, anchor: Anchor | None = None) -> None:
    record = Record.open(folder, boot_id=boot, elapsed_s=0.0, wall_utc_s=NOON_UTC_S)
    try:
        for batch in batches:
            record.commit(Batch(readings=batch, until_s=batch[-1].at_s + 1.0, anchors=[anchor] if anchor else []))
    finally:
        record.close()


def hourly(all_of_it: list[Reading]) -> list[list[Reading]]:
    size = 3 * int(3600.0 / STEP_S)
    return [all_of_it[place : place + size] for place in range(0, len(all_of_it), size)]


@pytest.fixture
def now(full: Picture) -> Picture:
    full["boot_id"], full["at_s"] = BOOT, HOURS * 3600.0
    full["quantities"]["bank_a"]["instrument"] = "shunt"
    return full


@pytest.fixture
def undated(tmp_path: Path) -> Iterator[RecordReader]:
    write(tmp_path, BOOT, hourly(readings(0.0, HOURS)))
    with RecordReader(tmp_path) as reader:
        yield reader


def read_all(day: PastDay, reader: RecordReader, picture: Picture) -> LastDay:
    axis = Axis(reader, picture)
    while not day.read(reader, axis, picture, limit_s=10.0):
        pass
    return day.told(axis.now)


def test_a_day_is_summed_as_it_flowed(undated: RecordReader, now: Picture) -> None:
    told = read_all(PastDay(), undated, now)
    harvest = told.harvest
    # From hour 6 to hour 30: six hours of sun, and 0.5 A drawn all the time.
    assert harvest.charge_ah == pytest.approx(18.0, rel=0.01)
    assert harvest.panel_wh == pytest.approx(240.0, rel=0.01)
    assert harvest.draw_a == pytest.approx(0.5, rel=0.01)
    assert harvest.net_ah == pytest.approx(18.0 - 12.0, rel=0.02)
    assert len(told.charge) in (143, 144, 145)
    assert all(-24.2 < hours <= 0.0 and abs(band.likely - 0.8) < 1e-9 for hours, band in told.charge)


def test_reading_on_adds_only_what_is_new(tmp_path: Path, now: Picture) -> None:
    write(tmp_path, BOOT, hourly(readings(0.0, HOURS)))
    day = PastDay()
    with RecordReader(tmp_path) as reader:
        earlier: Picture = {**now, "at_s": 20 * 3600.0}
        read_all(day, reader, earlier)
        assert read_all(day, reader, now) == read_all(PastDay(), reader, now)


def test_it_can_be_read_in_slices(undated: RecordReader, now: Picture) -> None:
    day, axis, slices = PastDay(), Axis(undated, now), 1
    while not day.read(undated, axis, now, limit_s=1e-6 if slices % 2 else 0.002):
        slices += 1
        assert slices < 100_000
    assert slices > 1
    assert day.told(axis.now) == read_all(PastDay(), undated, now)


def test_a_gap_stays_a_gap_and_is_not_summed(tmp_path: Path, now: Picture) -> None:
    whole = readings(0.0, HOURS)
    write(tmp_path, BOOT, hourly([row for row in whole if not 8 * 3600.0 <= row.at_s < 10 * 3600.0]))
    with RecordReader(tmp_path) as reader:
        told = read_all(PastDay(), reader, now)
    assert not any(-22.0 < hours < -20.0 for hours, _ in told.charge)
    assert told.harvest.charge_ah == pytest.approx(12.0, rel=0.02)
    assert told.harvest.draw_a == pytest.approx(0.5, rel=0.02)


def test_an_earlier_boot_counts_only_where_both_are_dated(tmp_path: Path, now: Picture) -> None:
    write(tmp_path, EARLIER, hourly(readings(0.0, 3.0, soc=0.7)), anchor=Anchor(1, 0.0, NOON_UTC_S, 1.0, "kernel"))
    later_utc_s = NOON_UTC_S + 4 * 3600.0
    write(tmp_path, BOOT, hourly(readings(0.0, 2.0)), anchor=Anchor(2, 0.0, later_utc_s, 1.0, "kernel"))
    now["at_s"] = 2 * 3600.0
    with RecordReader(tmp_path) as reader:
        told = read_all(PastDay(), reader, now)
        assert {round(band.likely, 3) for _, band in told.charge} == {0.7, 0.8}
        assert min(hours for hours, _ in told.charge) == pytest.approx(-6.0, abs=0.2)
        days = list(days_past(reader, Axis(reader, now)))
        ahead = list(days_past(reader, Axis(reader, now), zone_of({"timezone": "Pacific/Auckland"})))
    # Auckland was 13 h ahead: 12:00 UTC on the first is 01:00 on the second there.
    assert [day.name for day in ahead] == ["2026-01-02"]
    assert [(day.name, day.lowest, day.highest) for day in days] == [("2026-01-01", 0.7, 0.8)]


def test_an_undated_boot_knows_itself_alone(tmp_path: Path, now: Picture) -> None:
    write(tmp_path, EARLIER, hourly(readings(0.0, 3.0, soc=0.7)))
    write(tmp_path, BOOT, hourly(readings(0.0, 2.0)))
    now["at_s"] = 2 * 3600.0
    with RecordReader(tmp_path) as reader:
        told = read_all(PastDay(), reader, now)
        assert {round(band.likely, 3) for _, band in told.charge} == {0.8}
        assert [day.name for day in days_past(reader, Axis(reader, now))] == ["last 24 h"]


def test_days_without_an_estimate_are_left_out(undated: RecordReader, now: Picture) -> None:
    days = list(days_past(undated, Axis(undated, now)))
    assert [day.name for day in days] == ["last 24 h", "1 d before"]
    assert days[0].looks == 48
    assert days[1].looks == int((HOURS * 3600.0 - DAY_S) / 1800.0)


def test_an_unknown_zone_is_utc() -> None:
    for name in ("Nowhere/At-All", "../../etc/passwd", 7, None, ""):
        assert zone_of({"timezone": name}) is UTC
