import json

import pytest

from shared.bank_days import DAYS_MOST, MONTHS_MOST, BankDays, change

DAY_S = 86_400.0


def lived(days: int) -> BankDays:
    """Each day looses 0.01 Ah of 24 and goes down to 0.6."""
    ledger = BankDays()
    for number in range(days):
        row, _ = ledger.at(number * DAY_S + 10.0)
        row.see(0.9)
        row.see(0.6)
        row.below_h, row.wear, row.seen_s = 0.5, 0.001, DAY_S
        row.capacity_ah, row.capacity_sigma_ah = 24.0 - 0.01 * number, 0.3
    return ledger


def test_the_last_month_is_by_the_day_and_the_rest_by_the_month_and_nothing_is_lost() -> None:
    ledger = lived(400)
    assert len(ledger.days) == DAYS_MOST
    assert sum(row.days for row in ledger.all) == 400
    assert sum(row.below_h for row in ledger.all) == pytest.approx(200.0)
    assert sum(row.wear for row in ledger.all) == pytest.approx(0.4)
    begins = [row.begin_s for row in ledger.all]
    assert begins == sorted(begins)


def test_it_is_bounded() -> None:
    assert len(lived(3000).all) <= DAYS_MOST + MONTHS_MOST + 1


def test_a_day_ends_once() -> None:
    ledger = BankDays()
    ends = [ledger.at(60.0 * minute)[1] for minute in range(3 * 1440)]
    assert sum(ends) == 2


def test_the_change_of_capacity_carries_its_error() -> None:
    found = change(lived(61).all)
    assert found is not None
    # 60 days of 0.01 Ah; both ends are 0.3 Ah unsure, so the difference is by the root of 2 more.
    assert found == pytest.approx((-0.6, 0.3 * 2.0**0.5, 60.0), abs=0.31)
    assert change(lived(5).all) is None


def test_days_begin_at_midnight_once_it_is_known() -> None:
    ledger = BankDays()
    ledger.at(1000.0)
    ledger.align(-4 * 3600.0)
    assert ledger.at(2000.0)[1] is False
    row, ended = ledger.at(21 * 3600.0)
    assert ended and row.begin_s == 20 * 3600.0


def test_after_a_reboot_what_was_keeps_its_age() -> None:
    ledger = lived(3)
    ledger.shift(100.0 - 3 * DAY_S)
    assert [row.begin_s for row in ledger.all] == [100.0 - 3 * DAY_S, 100.0 - 2 * DAY_S, 100.0 - DAY_S]


def test_cut_and_resumed_it_is_the_same() -> None:
    ledger, other = lived(50), BankDays()
    other.restore(json.loads(json.dumps(ledger.snapshot())))
    assert other.snapshot() == ledger.snapshot()
