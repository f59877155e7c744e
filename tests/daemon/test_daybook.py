"""The daybook out of a record: days by the local clock, what is missing and why, rows that are made at a day's end."""

import asyncio
import io
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.clock import Anchor, operator_anchor
from daemon.day_end import SETTLE_S, DayEnd, day_now, due_rows
from daemon.daybook import DaybookMaker
from daemon.daybook_sources import DaybookSources
from daemon.daybook_table import CSV_HEAD, AskedDaybook, run_daybook
from daemon.record import Batch, Day, Record, RecordReader, Run
from daemon.restarts import STATE_NAME as SERVICE_STATE
from daemon.run_start import this_run
from servers.records import WALL_UTC_S
from shared.daybook import DayRow
from shared.readings import Reading
from shared.site import Bank

NEW_YORK = ZoneInfo("America/New_York")
AUTUMN = datetime(2026, 11, 1, 3, 0, tzinfo=UTC).timestamp()  # an hour before the day of 25 h begins in New York
H = 3600.0


def write(
    folder: Path,
    *,
    boot: int = 1,
    begin_s: float = 0.0,
    end_s: float,
    anchor: Anchor | None = None,
    more: Callable[[float], dict[str, float]] = lambda at_s: {},
    last: Batch | None = None,
    first: Batch | None = None,
) -> None:
    """A run of the service: 2 A at 13 V each minute, besides what `more` tells."""
    record = Record.open(folder, boot_id=f"{boot:032x}", elapsed_s=begin_s, wall_utc_s=WALL_UTC_S)
    try:
        batch = first or Batch()
        batch.anchors += [anchor] if anchor is not None else []
        at_s = begin_s
        while at_s < end_s:
            batch.readings.append(Reading("shunt", at_s, {"bank_v": 13.0, "bank_a": 2.0, **more(at_s)}))
            at_s += 60.0
            if at_s % (6 * H) == 0.0 or at_s >= end_s:
                batch.until_s = at_s - 60.0
                record.commit(batch)
                batch = Batch()
        if last is not None:
            last.until_s = end_s - 60.0
            record.commit(last)
        record.seal_all(end_s)
    finally:
        record.close()


def rows(folder: Path, zone: ZoneInfo = NEW_YORK) -> dict[str, DayRow]:
    with RecordReader(folder) as reader:
        maker = DaybookMaker(reader, zone)
        return {day.span.name: maker.row(day) for day in maker.days()}


def test_a_day_of_25_hours_holds_25_hours_of_charge(tmp_path: Path) -> None:
    def warm(at_s: float) -> dict[str, float]:
        return {"bank_c": 41.5 if at_s == 10 * H else 20.0, "soc_frac": 0.8}

    write(tmp_path, end_s=30 * H, anchor=operator_anchor(0.0, AUTUMN), more=warm)
    found = rows(tmp_path)
    assert list(found) == ["2026-10-31", "2026-11-01", "2026-11-02"]
    day = found["2026-11-01"]
    assert (day.span_s, day.whole, day.length_words) == (25 * H, True, "25 h")
    assert day.ah_in == pytest.approx(50.0) and day.ah_out == 0.0
    assert day.wh_in == pytest.approx(650.0)
    assert day.seen_s == pytest.approx(25 * H) and day.blind_s == pytest.approx(0.0, abs=1.0)
    assert day.heat == {"bank_c": 41.5}
    assert sum(row.ah_in or 0.0 for row in found.values()) == pytest.approx(60.0), "2 A for 30 h"
    assert not found["2026-11-02"].whole


def test_the_sum_of_the_days_is_the_same_in_every_zone(tmp_path: Path) -> None:
    write(tmp_path, end_s=53 * H, anchor=operator_anchor(0.0, AUTUMN), more=lambda at_s: {"bank_a": (at_s % 977) - 400})
    sums = []
    for name in ("UTC", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe"):
        days = rows(tmp_path, ZoneInfo(name)).values()
        sums.append((sum(d.ah_in or 0.0 for d in days), sum(d.ah_out or 0.0 for d in days)))
    assert all(one == pytest.approx(sums[0], rel=1e-9) for one in sums)


def test_the_loads_that_draw_nothing_are_off_the_air(tmp_path: Path) -> None:
    def loads(at_s: float) -> dict[str, float]:
        return {"load_a": 0.01 if 5 * H <= at_s < 6 * H else 0.14}

    sources = DaybookSources((("shunt", "bank_a", 1.0),), volts=("shunt",), loads=("shunt",), idle_a=0.13)
    last = Batch(state={"daybook": sources.state()})
    write(tmp_path, end_s=30 * H, anchor=operator_anchor(0.0, AUTUMN), more=loads, last=last)
    with RecordReader(tmp_path) as reader:
        assert DaybookSources.from_record(reader) == sources
    assert rows(tmp_path)["2026-11-01"].off_air_s == pytest.approx(H)


# -- why it is missing -------------------------------------------------------------------------


def test_why_a_time_is_missing_comes_from_the_run_after_it(tmp_path: Path) -> None:
    """Boot 1 crashes and goes on, then loses its power; the machine comes back an hour later."""
    write(tmp_path, end_s=4 * H, anchor=operator_anchor(0.0, AUTUMN))
    crash = Batch(runs=[Run(4 * H + 1800.0, (1, 4 * H - 60.0), "crash")])
    write(tmp_path, begin_s=4 * H + 1800.0, end_s=8 * H, first=crash)
    cut = Batch(runs=[Run(60.0, (1, 8 * H - 60.0), "power cut")])
    write(tmp_path, boot=2, begin_s=60.0, end_s=20 * H, anchor=operator_anchor(0.0, AUTUMN + 9 * H), first=cut)
    day = rows(tmp_path)["2026-11-01"]
    assert day.blind["crash"] == pytest.approx(1800.0, abs=121.0)
    assert day.blind["power cut"] == pytest.approx(H, abs=121.0)
    assert day.blind_s == pytest.approx(5400.0, abs=121.0)
    assert day.off_air_s is None


def test_how_the_last_run_ended_is_told_by_what_it_left(tmp_path: Path) -> None:
    bank = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7)

    def told(boot: int) -> str:
        with RecordReader(tmp_path) as reader:
            run = this_run(reader, bank, ("shunt",), boot_id=f"{boot:032x}", now_s=9000.0, set_aside=False)
        return run.ended

    low = bank.cells * 1.9
    write(tmp_path, end_s=1200.0, last=Batch(state={SERVICE_STATE: {"clean": True}}))
    assert told(1) == "stop" and told(2) == "reboot"
    write(tmp_path, begin_s=2000.0, end_s=2600.0, first=Batch(state={SERVICE_STATE: {"clean": False}}))
    assert told(1) == "crash" and told(2) == "power cut"
    write(tmp_path, begin_s=3000.0, end_s=3600.0, more=lambda at_s: {"bank_v": low})
    assert told(1) == "crash" and told(2) == "disconnect"


def test_a_first_run_and_one_after_damage_have_no_run_before(tmp_path: Path) -> None:
    record = Record.open(tmp_path, boot_id="1" * 32, elapsed_s=5.0, wall_utc_s=0.0)
    bank = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7)
    with RecordReader(tmp_path) as reader:
        ended = [this_run(reader, bank, (), boot_id="1" * 32, now_s=5.0, set_aside=aside) for aside in (False, True)]
    assert [(run.last, run.ended) for run in ended] == [(None, ""), (None, "set aside")]
    record.close()


# -- days without a date -----------------------------------------------------------------------


def test_days_without_a_date_are_told_between_two_times(tmp_path: Path) -> None:
    write(tmp_path, end_s=2 * H, anchor=operator_anchor(0.0, AUTUMN))
    write(tmp_path, boot=2, begin_s=60.0, end_s=26 * H)
    write(tmp_path, boot=3, begin_s=60.0, end_s=1 * H, anchor=operator_anchor(60.0, AUTUMN + 40 * H))
    found = rows(tmp_path)
    assert list(found) == ["2026-10-31", "2026-11-01", "boot 2 day 1", "boot 2 day 2", "2026-11-02"]
    assert found["boot 2 day 1"].ah_in == pytest.approx(48.0, abs=0.1) and found["boot 2 day 1"].whole
    out = io.StringIO()
    assert run_daybook(tmp_path, AskedDaybook(timezone="America/New_York"), out=out, err=io.StringIO()) == 0
    # Boot 2 began after boot 1's last commit (04:59) and was recorded for 1 h 59 min after its first day, all of it
    # before boot 3 began (18:59 the day after).
    assert "boot 2 day 1: between 2026-11-01 05:00Z and 2026-11-02 17:00Z" in out.getvalue()


def test_placing_a_boot_later_dates_its_days_and_takes_the_undated_rows_out(tmp_path: Path) -> None:
    write(tmp_path, end_s=50 * H)
    made, gone, more = due_rows(tmp_path, NEW_YORK, 8)
    assert [day.name for day in made] == ["boot 1 day 1", "boot 1 day 2"] and not gone and not more
    record = Record.open(tmp_path, boot_id=f"{1:032x}", elapsed_s=50 * H, wall_utc_s=0.0)
    record.commit(Batch(days=made))
    assert due_rows(tmp_path, NEW_YORK, 8) == ([], [], False)
    record.commit(Batch(anchors=[operator_anchor(50 * H, AUTUMN + 50 * H)]))
    made, gone, more = due_rows(tmp_path, NEW_YORK, 8)
    assert not made and more
    assert gone == ["boot 1 day 1", "boot 1 day 2", "2026-10-31", "2026-11-01", "2026-11-02"]
    record.commit(Batch(days_gone=gone))
    made, gone, more = due_rows(tmp_path, NEW_YORK, 1)
    assert [day.name for day in made] == ["2026-10-31"] and more
    made, gone, more = due_rows(tmp_path, NEW_YORK, 8)
    assert [day.name for day in made] == ["2026-10-31", "2026-11-01"] and not gone and not more
    record.close()


# -- at a day's end ----------------------------------------------------------------------------


def test_stored_rows_are_shown_even_when_their_readings_are_gone(tmp_path: Path) -> None:
    write(tmp_path, end_s=30 * H, anchor=operator_anchor(0.0, AUTUMN))
    made, _, _ = due_rows(tmp_path, NEW_YORK, 8)
    kept = [Day(day.name, day.boot, day.at_s, {**day.body, "ah_in": 77.25}) for day in made]
    write(tmp_path, begin_s=31 * H, end_s=31 * H + 600.0, first=Batch(days=kept))
    for anew, told in ((False, "77.25"), (True, "50")):
        out = io.StringIO()
        asked = AskedDaybook(since="2026-11-01", until="2026-11-01 12:00", form="csv", anew=anew)
        write(tmp_path, begin_s=32 * H, end_s=32 * H + 60.0, first=Batch(state={"picture": {"timezone": NEW_YORK.key}}))
        assert run_daybook(tmp_path, asked, out=out, err=io.StringIO()) == 0
        head, *lines = out.getvalue().splitlines()
        assert head.split(",") == list(CSV_HEAD)
        cells = dict(zip(CSV_HEAD, next(line for line in lines if "2026-11-01" in line).split(","), strict=True))
        assert (cells["ah_in"], cells["hours"]) == (told, "25")


def test_a_day_is_looked_for_by_elapsed_time_and_a_step_of_the_clock_costs_nothing(tmp_path: Path) -> None:
    write(tmp_path, end_s=30 * H, anchor=operator_anchor(0.0, AUTUMN))
    kept: list[list[Day]] = []
    end = DayEnd(tmp_path, keep=lambda days, gone: kept.append(days))

    async def live() -> None:
        now_s = 30 * H
        assert end.look(now_s, None, "America/New_York") is None and end.day == "day 2 from boot"
        anchor = Anchor(0, now_s, AUTUMN + now_s, 0.1, "kernel")
        midnight = end.look(now_s + 60.0, anchor, "America/New_York")
        assert midnight == pytest.approx(26 * H), "Monday began 26 h after the boot"
        for minute in range(2, 6):
            assert end.look(now_s + 60.0 * minute, anchor, "America/New_York") is None
        assert end._work is not None
        await end._work
        stepped = Anchor(0, now_s + 600.0, AUTUMN + now_s + 600.0 + 400 * 86_400.0, 0.1, "kernel")
        end.look(now_s + 600.0, stepped, "America/New_York")
        end.look(now_s + 600.0 + SETTLE_S, stepped, "America/New_York")
        await end._work

    asyncio.run(live())
    assert [[day.name for day in days] for days in kept][0] == ["2026-10-31", "2026-11-01"]


def test_the_present_day_by_hand() -> None:
    anchor = Anchor(0, 1000.0, AUTUMN + 3 * H, 0.1, "kernel")
    day, midnight = day_now(1000.0, anchor, NEW_YORK)
    assert day == "2026-11-01" and midnight == pytest.approx(1000.0 - 2 * H)
    assert day_now(90_000.0, None, NEW_YORK) == ("day 2 from boot", None)


def test_a_profile_by_the_hour_of_the_local_day(tmp_path: Path) -> None:
    def sun(at_s: float) -> dict[str, float]:
        return {"panel_w": 40.0 if 13 * H <= at_s % (24 * H) < 14 * H else 0.0}

    write(tmp_path, end_s=72 * H, anchor=operator_anchor(0.0, AUTUMN + 24 * H), more=sun)
    with RecordReader(tmp_path) as reader:
        begin, end = (datetime.fromtimestamp(AUTUMN + 24 * H + s, UTC) for s in (0.0, 72 * H))
        profile = DaybookMaker(reader, NEW_YORK).profile("shunt", "panel_w", begin, end)
    # 13 h after 03:00 UTC is 16:00 UTC, 11 o'clock in New York.
    assert profile[11] == pytest.approx(40.0, abs=1.5) and sum(value or 0.0 for value in profile) == pytest.approx(
        40.0, abs=3.0
    )
