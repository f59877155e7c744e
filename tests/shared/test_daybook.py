"""The daybook's arithmetic: days of 23 and 25 hours, sums that do not depend on where a day is cut, reasons."""

import math
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from shared.daybook import (
    ENDINGS,
    SILENT,
    DayRow,
    Minute,
    Span,
    boot_days,
    civil_days,
    ending,
    hours_profile,
    total,
)
from shared.site import Bank

AGM = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7)
LITHIUM = Bank("lifepo4", 50.0, 4, 0.3, 14.2, 13.6)


def utc(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


# -- days --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "day", "begin", "hours"),
    [
        # IANA time zone database: the United States change on the second Sunday of March and the first of November.
        ("America/New_York", "2026-03-08", "2026-03-08T05:00", 23.0),
        ("America/New_York", "2026-11-01", "2026-11-01T04:00", 25.0),
        ("America/New_York", "2026-07-04", "2026-07-04T04:00", 24.0),
        # The same source: Chile springs forward at midnight, so 2026-09-06 begins at 01:00.
        ("America/Santiago", "2026-09-06", "2026-09-06T04:00", 23.0),
        # And Cuba falls back at 01:00 to 00:00, so 2026-11-01 has two midnights, of which the first counts.
        ("America/Havana", "2026-11-01", "2026-11-01T04:00", 25.0),
        # And Lord Howe Island moves by half an hour.
        ("Australia/Lord_Howe", "2026-04-05", "2026-04-04T13:00", 24.5),
    ],
)
def test_a_day_is_as_long_as_the_clocks_make_it(zone: str, day: str, begin: str, hours: float) -> None:
    begin_s = utc(begin)
    (span,) = civil_days(begin_s, begin_s + 60.0, ZoneInfo(zone))
    assert span == Span(day, begin_s, begin_s + hours * 3600.0)
    assert next(civil_days(begin_s - 1.0, begin_s, ZoneInfo(zone))).end_s == begin_s


def test_a_date_that_was_left_out_is_no_day() -> None:
    # IANA time zone database: Samoa had no 30 December 2011.
    days = list(civil_days(utc("2011-12-29T12:00"), utc("2012-01-01T12:00"), ZoneInfo("Pacific/Apia")))
    assert [day.name for day in days] == ["2011-12-29", "2011-12-31", "2012-01-01", "2012-01-02"]


ZONES = st.sampled_from(
    ["UTC", "America/New_York", "America/Santiago", "America/Havana", "Australia/Lord_Howe", "Pacific/Apia"]
).map(ZoneInfo)


@given(st.floats(utc("2009-01-01"), utc("2030-01-01")), st.floats(1.0, 40 * 86_400.0), ZONES)
@example(utc("2030-01-01") - 2e-7, 1.0, ZoneInfo("UTC"))
def test_days_follow_each_other_without_hole_or_overlap(begin_s: float, length_s: float, zone: tzinfo) -> None:
    days = list(civil_days(begin_s, begin_s + length_s, zone))
    assert days[0].begin_s <= begin_s < days[0].end_s
    assert days[-1].begin_s < begin_s + length_s <= days[-1].end_s
    for before, after in zip(days, days[1:], strict=False):
        assert before.end_s == after.begin_s and before.name < after.name
    assert all(22.9 <= (day.end_s - day.begin_s) / 3600.0 <= 25.1 for day in days)


def test_days_of_a_boot_without_a_date_count_from_its_start() -> None:
    assert [day.name for day in boot_days(3, 2.5 * 86_400.0)] == ["boot 3 day 1", "boot 3 day 2", "boot 3 day 3"]
    assert list(boot_days(3, 0.0)) == []


# -- what went in and out ----------------------------------------------------------------------


def test_charge_and_energy_by_hand() -> None:
    row = DayRow("2026-06-01", 86_400.0)
    row.add_minutes([Minute(0.0, 6.0 * 60.0, 60.0, 13.0), Minute(60.0, -3.0 * 60.0, 60.0, 12.0)])
    # 6 A for a minute in at 13 V, 3 A for a minute out at 12 V.
    assert row.ah_in == pytest.approx(0.1) and row.ah_out == pytest.approx(0.05)
    assert row.wh_in == pytest.approx(1.3) and row.wh_out == pytest.approx(0.6)


def test_what_nobody_measured_is_not_known_and_never_zero() -> None:
    row = DayRow("2026-06-01", 86_400.0)
    row.add_minutes([])
    row.add_gaps(Span("2026-06-01", 0.0, 86_400.0), [])
    assert (row.ah_in, row.ah_out, row.wh_in, row.least_soc, row.off_air_s) == (None,) * 5
    assert row.blind == {SILENT: 86_400.0}


MINUTES = st.lists(
    st.tuples(st.floats(-50.0, 50.0), st.floats(0.0, 60.0), st.none() | st.floats(10.0, 15.0)), max_size=120
)


@given(MINUTES, st.lists(st.integers(0, 120), max_size=4))
def test_the_sum_of_the_days_is_the_total_wherever_they_are_cut(
    drawn: list[tuple[float, float, float | None]], cuts: list[int]
) -> None:
    minutes = [Minute(60.0 * n, a * covered, covered, v) for n, (a, covered, v) in enumerate(drawn)]
    places = sorted({0, len(minutes), *(min(cut, len(minutes)) for cut in cuts)})
    rows = []
    for begin, end in zip(places, places[1:], strict=False):
        row = DayRow(str(begin), 60.0 * (end - begin))
        row.add_minutes(minutes[begin:end])
        row.add_gaps(Span("", 60.0 * begin, 60.0 * end), [])
        rows.append(row)
    whole = DayRow("all", 60.0 * len(minutes))
    whole.add_minutes(minutes)
    whole.add_gaps(Span("", 0.0, 60.0 * len(minutes)), [])
    summed = total(rows)
    assert (summed is None) == (not rows)
    if summed is not None:
        for name in ("span_s", "seen_s", "ah_in", "ah_out", "wh_in", "wh_out", "blind_s"):
            one, other = getattr(summed, name), getattr(whole, name)
            assert (one is None) == (other is None)
            assert one is None or math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-6)
        net = sum(a * covered for a, covered, _ in drawn) / 3600.0
        assert (summed.ah_in or 0.0) - (summed.ah_out or 0.0) == pytest.approx(net, abs=1e-9)


# -- what is missing ---------------------------------------------------------------------------


GAPS = st.lists(
    st.tuples(st.floats(-1e5, 2e5), st.floats(0.0, 1e5), st.sampled_from(list(ENDINGS))).map(
        lambda gap: (gap[0], gap[0] + gap[1], gap[2])
    ),
    max_size=5,
)


@given(GAPS, st.floats(0.0, 90_000.0))
def test_reasons_never_tell_of_more_than_is_missing(gaps: list[tuple[float, float, str]], seen_s: float) -> None:
    row = DayRow("2026-06-01", 86_400.0, seen_s=seen_s)
    row.add_gaps(Span("2026-06-01", 0.0, 86_400.0), gaps)
    assert 0.0 <= row.blind_s <= 86_400.0
    assert sum(row.blind.values()) == pytest.approx(row.blind_s, abs=1e-6)
    assert all(value > 0.0 for value in row.blind.values())


def test_a_gap_over_midnight_is_told_in_both_days() -> None:
    first, second = DayRow("a", 86_400.0, seen_s=82_800.0), DayRow("b", 86_400.0, seen_s=79_200.0)
    gap = [(82_800.0, 93_600.0, "power cut")]
    first.add_gaps(Span("a", 0.0, 86_400.0), gap)
    second.add_gaps(Span("b", 86_400.0, 172_800.0), gap)
    assert first.blind == {"power cut": 3600.0} and second.blind == {"power cut": 7200.0}
    assert first.off_air_s is None, "a power cut of the monitor alone does not say that the radio was off"


def test_a_disconnect_takes_the_station_off_the_air() -> None:
    row = DayRow("a", 86_400.0, seen_s=86_400.0 - 1800.0, off_air_s=60.0)
    row.add_gaps(Span("a", 0.0, 86_400.0), [(1000.0, 2800.0, "disconnect")])
    assert row.off_air_s == 1860.0


@pytest.mark.parametrize(
    ("same_boot", "stopped", "bank_v", "told"),
    [
        (True, True, 12.6, "stop"),
        (True, False, 12.6, "crash"),
        (True, False, 11.0, "crash"),
        (False, True, 12.6, "reboot"),
        (False, False, 12.6, "power cut"),
        (False, False, None, "power cut"),
        (False, False, 11.4, "disconnect"),
    ],
)
def test_how_the_last_run_ended(same_boot: bool, stopped: bool, bank_v: float | None, told: str) -> None:
    assert ending(AGM, same_boot=same_boot, stopped=stopped, bank_v=bank_v) == told
    assert told in ENDINGS


def test_the_low_end_of_a_lithium_bank_is_its_own() -> None:
    assert ending(LITHIUM, same_boot=False, stopped=False, bank_v=12.6) == "power cut"
    assert ending(LITHIUM, same_boot=False, stopped=False, bank_v=12.0) == "disconnect"


# -- rows over time ----------------------------------------------------------------------------


def test_a_row_survives_being_stored_and_a_later_releases_columns() -> None:
    row = DayRow("2026-06-01", 82_800.0, ah_in=3.0, heat={"bank_c": 31.0}, blind={"crash": 4.0}, blind_s=4.0)
    assert DayRow.of("2026-06-01", {**row.body(), "snow_m": 0.3}) == row
    assert row.length_words == "23 h" and DayRow("x", 86_400.0).length_words == ""


def test_a_profile_goes_by_the_local_hour() -> None:
    # New York is 4 h behind UTC in June: 16:00 UTC is noon there.
    noon = utc("2026-06-01T16:00")
    means = [(noon, 4.0, 3600.0), (noon + 86_400.0, 8.0, 1800.0), (noon + 3600.0, 1.0, 3600.0)]
    profile = hours_profile(means, ZoneInfo("America/New_York"))
    assert profile[12] == pytest.approx((4.0 * 3600 + 8.0 * 1800) / 5400)
    assert profile[13] == 1.0 and profile.count(None) == 22
