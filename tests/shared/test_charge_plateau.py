import json
from collections.abc import Iterable

import pytest

from shared.charge_plateau import ChargePlateau, Plateau, needed_v, off_v
from shared.site import Bank

AGM = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
LFP = Bank("lifepo4", 26.0, 4, 0.3, 14.2, 13.5, 0.0)


def fold(plateau: ChargePlateau, rows: Iterable[tuple[float, float]], charger_c: float = 25.0) -> ChargePlateau:
    plateau.pause()  # the night before
    for minute, (volts, amps) in enumerate(rows):
        plateau.fold(60.0 * minute, volts, volts - 0.01, amps, charger_c, charger_c)
    return plateau


def held(volts: float, minutes: int = 60) -> list[tuple[float, float]]:
    """A charger that regulates: the current dies away, here to half in half an hour."""
    return [(volts, 2.0 * 0.5 ** (minute / 30.0)) for minute in range(minutes)]


def test_a_voltage_that_stands_while_the_current_falls_is_the_chargers() -> None:
    found = fold(ChargePlateau(AGM), held(14.37)).found()
    assert found is not None
    assert (found.charger_v, found.bank_v) == (14.37, 14.36)


@pytest.mark.parametrize(
    "rows",
    [
        [(13.0 + 0.004 * minute, 1.8) for minute in range(120)],  # bulk: all current goes in, the voltage creeps up
        [(14.0 - 0.01 * minute, 1.5 - 0.02 * minute) for minute in range(60)],  # the sun goes down
        [(13.2 + 0.1 * (minute % 3), 1.5 * (minute % 2)) for minute in range(60)],  # clouds
        [(12.7, 0.2 - 0.003 * minute) for minute in range(60)],  # no charging at all
    ],
    ids=["bulk", "dusk", "clouds", "rest"],
)
def test_what_is_no_regulation_is_no_plateau(rows: list[tuple[float, float]]) -> None:
    assert fold(ChargePlateau(AGM), rows).found() is None


def test_keying_in_a_weak_sun_does_not_hide_it() -> None:
    rows = [(v - 0.5 if minute % 19 == 3 else v, a) for minute, (v, a) in enumerate(held(14.37))]
    assert fold(ChargePlateau(AGM), rows).found() is not None


def test_absorption_goes_before_float() -> None:
    found = fold(ChargePlateau(AGM), held(14.4) + held(13.7)).found()
    assert found is not None and found.charger_v == 14.4


def test_the_need_follows_the_temperature_within_the_published_slopes() -> None:
    """AGM 14.4 to 14.7 V at 25 C, 3 to 5 mV less a cell for each kelvin: 14.85-15.45 at 0 C, 13.8-14.34 at 45 C."""
    assert needed_v(AGM, 25.0) == pytest.approx((14.4, 14.7))
    assert needed_v(AGM, 0.0) == pytest.approx((14.85, 15.45))
    assert needed_v(AGM, 45.0) == pytest.approx((13.8, 14.34))
    assert needed_v(LFP, 0.0) == needed_v(LFP, 45.0) == pytest.approx((13.8, 14.6))


def test_it_is_held_against_the_file_at_the_chargers_and_the_chemistry_at_the_banks_temperature() -> None:
    from_file_v, outside_v = off_v(AGM, Plateau(0.0, 14.8, 35.0, 14.8, 15.0))
    assert from_file_v == pytest.approx(14.8 - (14.4 - 0.24))
    assert outside_v == 0.0, "14.58 to 15.0 V at 15 C"


def test_too_high_is_told_at_once_and_over_with_the_next_day() -> None:
    plateau = fold(ChargePlateau(AGM), held(15.0))
    assert plateau.off_v() == pytest.approx(0.6, abs=0.02)
    plateau.end_day()
    fold(plateau, held(14.4))
    off = plateau.off_v()
    assert off is not None and abs(off) < 0.05


def test_too_low_is_told_after_days_without_anything_higher() -> None:
    plateau = ChargePlateau(AGM)
    for day in range(3):
        fold(plateau, held(13.7))
        assert plateau.off_v() == 0.0, day
        plateau.end_day()
    assert plateau.off_v() == pytest.approx(-0.7, abs=0.02)
    fold(plateau, held(14.4))
    off = plateau.off_v()
    assert off is not None and abs(off) < 0.05, "one right day, and it was only float before"


def test_cut_and_resumed_it_is_the_same() -> None:
    plateau, other = fold(ChargePlateau(AGM), held(14.4, 40)), ChargePlateau(AGM)
    plateau.end_day()
    fold(plateau, held(14.3, 10))
    other.restore(json.loads(json.dumps(plateau.snapshot())))
    for minute in range(30):
        for one in (plateau, other):
            one.fold(600.0 + 60.0 * minute, 14.3, 14.3, 1.0 - 0.02 * minute, 25.0, 25.0)
    assert other.snapshot() == plateau.snapshot()
