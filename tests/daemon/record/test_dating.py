"""Seconds since boot in the calendar: by trusted pairs only, straight between them, never guessed."""

import pytest

from daemon.clock import Anchor
from daemon.record.dating import Dating

DAY_S = 86_400.0
START_UTC_S = 1_780_000_000.0


def anchor(at_s: float, utc_s: float, *, boot: int = 1, error_s: float = 0.1, source: str = "kernel") -> Anchor:
    return Anchor(boot, at_s, utc_s, error_s, source)


def test_without_an_anchor_nothing_is_said() -> None:
    assert Dating([]).utc_of(1, 10.0) is None
    assert Dating([anchor(10.0, START_UTC_S)]).utc_of(2, 10.0) is None
    assert Dating([]).moment_of(START_UTC_S) is None


def test_between_two_anchors_the_line_outside_the_offset_of_the_nearer() -> None:
    # A crystal 5 ppm off is 432 ms off after a day; half of it at noon.
    dating = Dating([anchor(0.0, START_UTC_S), anchor(DAY_S, START_UTC_S + DAY_S + 0.432)])
    assert dating.utc_of(1, DAY_S / 2) == pytest.approx(START_UTC_S + DAY_S / 2 + 0.216, abs=1e-6)
    assert dating.utc_of(1, 2 * DAY_S) == pytest.approx(START_UTC_S + 2 * DAY_S + 0.432, abs=1e-6)
    assert Dating([anchor(100.0, START_UTC_S)]).utc_of(1, 40.0) == START_UTC_S - 60.0


def test_there_and_back_is_the_same_moment() -> None:
    dating = Dating(
        [
            anchor(1000.0, START_UTC_S),
            anchor(1000.0 + DAY_S, START_UTC_S + DAY_S + 0.4),
            anchor(50.0, START_UTC_S + 3 * DAY_S, boot=4),
        ]
    )
    for boot, at_s in ((1, 0.0), (1, 1000.0), (1, 40_000.0), (1, 2 * DAY_S), (4, 0.0), (4, 1e6)):
        utc_s = dating.utc_of(boot, at_s)
        assert utc_s is not None
        moment = dating.moment_of(utc_s)
        assert moment is not None
        assert moment[0] == boot
        assert moment[1] == pytest.approx(at_s, abs=1e-3)
    assert dating.moment_of(START_UTC_S - 1001.0) is None


def test_an_anchor_that_contradicts_an_earlier_one_of_its_boot_takes_its_place() -> None:
    wrong = anchor(100.0, START_UTC_S + 40_000.0)
    right = anchor(3_700.0, START_UTC_S + 3_700.0, source="operator", error_s=60.0)
    dating = Dating([wrong, right])
    assert dating.utc_of(1, 100.0) == START_UTC_S + 100.0
    assert dating.utc_of(1, 3_700.0) == START_UTC_S + 3_700.0


def test_a_pair_recorded_for_an_earlier_time_replaces_what_was_said_of_later_ones() -> None:
    dating = Dating([anchor(500.0, START_UTC_S + 500.0), anchor(200.0, START_UTC_S + 900.0)])
    assert dating.utc_of(1, 500.0) == START_UTC_S + 1200.0
