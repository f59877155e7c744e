"""How long the reserve lasts, and what of a lookahead is believed."""

import math
from typing import Any

import pytest

from daemon.picture import Picture
from daemon.screens.curve import Band
from daemon.screens.outlook import lasts, read_airtime, read_lookahead


def ahead(**changes: object) -> dict[str, Any]:
    part: dict[str, object] = {
        "made_s": 269_000.0,
        "hours": [0, 1, 2],
        "low": [0.6, 0.5, 0.4],
        "likely": [0.62, 0.6, 0.5],
        "high": [0.64, 0.7, 0.6],
        "hours_to_half_likely": 31.0,
        "hours_to_half_cautious": 22.0,
        "share_crossing": {"12": 0.0, "24": 0.04, "48": 0.1, "72": 0.31},
    }
    return {"lookahead": part | changes}


def test_without_a_lookahead_the_reserve_is_divided_by_the_mean_draw(full: Picture) -> None:
    # 2.9 Ah over 0.29 A is 10 h.
    assert lasts(full, None, 0.29) == ["10 h to the half mark without any sun", "at the last day's mean draw of 0.29 A"]


def test_below_the_half_mark_it_says_what_is_missing(full: Picture) -> None:
    full["reserve_points"], full["reserve_ah"] = -4.0, -0.9
    assert lasts(full, None, 0.29) == ["below the half mark: 0.9 Ah missing"]


def test_an_idle_bank_is_not_divided_by(full: Picture) -> None:
    assert lasts(full, None, 0.0) == ["nothing draws from the bank"]
    assert lasts(full, None, None) == ["not known before some hours are recorded"]


def test_with_a_lookahead_likely_and_cautious_are_told_from_now_on(full: Picture) -> None:
    read = read_lookahead(ahead(made_s=full["at_s"] - 3600.0))
    assert lasts(full, read, 0.29) == ["likely 30 h to half, cautious 21 h", "below it in 24 h 4 %, 72 h 31 %"]


def test_an_old_lookahead_says_so_and_no_crossing_is_not_in_sight(full: Picture) -> None:
    read = read_lookahead(ahead(made_s=full["at_s"] - 3 * 3600.0, hours_to_half_likely=None))
    pieces = lasts(full, read, None)
    assert pieces[0].startswith("likely not in sight to half")
    assert pieces[-1] == "worked out 3 h ago"


@pytest.mark.parametrize(
    "changes",
    [
        {"made_s": None},
        {"hours": []},
        {"hours": [0, 1]},
        {"hours": [0, 2, 1]},
        {"low": [0.1, "x", 0.2]},
        {"likely": [0.1, math.inf, 0.2]},
        {"high": [0.1, True, 0.2]},
        {"hours": list(range(1000))},
    ],
)
def test_a_lookahead_that_makes_no_sense_is_left_out(changes: dict[str, object]) -> None:
    assert read_lookahead(ahead(**changes)) is None


def test_bands_are_put_in_order_and_into_the_range_of_a_charge() -> None:
    read = read_lookahead(ahead(low=[0.9, 0.5, 0.4], high=[0.1, 7.0, 0.6]))
    assert read is not None
    assert [band for _, band in read.bands] == [Band(0.1, 0.62, 0.9), Band(0.5, 0.6, 1.0), Band(0.4, 0.5, 0.6)]


def test_airtime_is_taken_if_it_is_there() -> None:
    assert read_airtime({}) is None
    assert read_airtime({"airtime": {"keyings": 3, "seconds": "x"}}) is None
    found = read_airtime({"airtime": {"keyings": 3, "seconds": 61.5, "duty": 0.01}})
    assert found is not None
    assert (found.keyings, found.seconds, found.longest_s, found.duty) == (3, 61.5, None, 0.01)
