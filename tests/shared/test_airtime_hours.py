import json

import pytest

from shared.airtime_hours import HOURS_MOST, AirtimeHours, by_day, by_hour_of_day, duty, total

HOUR_S = 3600.0


def filled(hours: int, *, start_s: float = 0.0) -> AirtimeHours:
    """Each hour is seen whole, keyed for as many seconds as its number, once."""
    ledger = AirtimeHours()
    for number in range(hours):
        row = ledger.at(start_s + number * HOUR_S + 5.0)
        row.seen_s, row.keyings, row.keyed_s, row.longest_s = HOUR_S, 1.0, float(number), float(number)
    return ledger


def test_sums_are_the_hours() -> None:
    whole = total(filled(24).rows)
    assert whole is not None
    assert (whole.keyings, whole.keyed_s, whole.longest_s) == (24.0, 276.0, 23.0)
    assert duty(whole) == pytest.approx(276.0 / 86_400.0)
    assert total([]) is None


def test_days_and_hours_of_the_day_are_the_callers() -> None:
    ledger = filled(48)
    days = list(by_day(ledger.rows, midnight_s=-6 * HOUR_S))
    assert [day.begin_s / HOUR_S for day in days] == [-6.0, 18.0, 42.0]
    assert [day.keyings for day in days] == [18.0, 24.0, 6.0]
    hours = by_hour_of_day(ledger.rows, midnight_s=-6 * HOUR_S)
    assert hours[6].keyed_s == 0.0 + 24.0, "the hours numbered 0 and 24 began at six"
    assert sum(row.keyed_s for row in hours.values()) == sum(range(48))


def test_only_eight_days_are_kept() -> None:
    assert len(filled(300).rows) == HOURS_MOST
    assert HOURS_MOST >= 8 * 24


def test_hours_are_set_to_the_clock_without_losing_any() -> None:
    ledger = filled(3)
    ledger.align(3 * HOUR_S + 1200.0)
    row = ledger.at(3 * HOUR_S + 1500.0)
    assert row.begin_s == 3 * HOUR_S + 1200.0
    assert len(ledger.rows) == 4
    ledger.align(3 * HOUR_S + 1200.4)
    assert ledger.at(3 * HOUR_S + 1600.0) is row, "the same minute again begins no new hour"


def test_after_a_reboot_what_was_keeps_its_age() -> None:
    ledger = filled(2)
    ledger.shift(10.0 - 7200.0 - 600.0)
    assert [row.begin_s for row in ledger.rows] == [-7790.0, -4190.0]
    assert ledger.at(20.0).begin_s >= -3600.0


def test_what_was_no_keying_is_taken_back_over_the_hour() -> None:
    ledger = filled(3)
    ledger.take_back(2.5)
    assert [row.keyed_s for row in ledger.rows] == [0.0, 0.5, 0.0]
    assert ledger.rows[-1].keyings == 0.0


def test_cut_and_resumed_it_is_the_same() -> None:
    ledger, other = filled(5), AirtimeHours()
    other.restore(**json.loads(json.dumps(ledger.snapshot())))
    assert other.snapshot() == ledger.snapshot()
    assert other.at(5 * HOUR_S - 1.0) is other.rows[-1]
