"""Kirchhoff at the bank's post, on readings made up by hand."""

import attrs
import pytest

from shared.closure import CLOSES, OPEN, REVERSED, UNKNOWN, charges_in_the_dark, judge, other_side, pairs
from shared.readings import Reading
from shared.site import Bank, Instrument, Line, Load, Place, Site

SITE = Site(
    place=Place("Cold Fork Ridge", 37.284, -81.139),
    bank=Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024),
    lines={"a": Line("a", port="/dev/ttyUSB0")},
    instruments={
        "shunt": Instrument(
            "shunt", "a", "register-map", 1.0, unit=2, measures={"bank_a": ("bank", "bank")}, gives=("bank_v", "bank_a")
        ),
        "controller": Instrument("controller", "a", "register-map", 10.0, unit=1, gives=("charge_a", "load_a")),
    },
    loads={"repeater": Load("repeater", 0.13, 1.6, "controller")},
)
EVERY_S = {"shunt": 1.0, "controller": 10.0}


def site_seen(*rows: tuple[float, float, float], lag_s: float = 0.4) -> dict[str, list[Reading]]:
    """Rows of (shunt, charge, load), A; the shunt answers a little after the controller."""
    return {
        "controller": [
            Reading("controller", 10.0 * n, {"charge_a": charge, "load_a": load})
            for n, (_, charge, load) in enumerate(rows)
        ],
        "shunt": [Reading("shunt", 10.0 * n + lag_s, {"bank_a": bank}) for n, (bank, _, _) in enumerate(rows)],
    }


@pytest.mark.parametrize(
    ("rows", "verdict", "proved"),
    [
        # 2.00 A from the controller less 0.13 A taken at its output leave 1.87 A for the bank (Kirchhoff).
        ([(1.87, 2.00, 0.13)] * 3, CLOSES, True),
        ([(-1.87, 2.00, 0.13)] * 3, REVERSED, True),
        ([(0.90, 2.00, 0.13)] * 3, OPEN, False),
        ([(-1.62, 0.0, 1.60)] * 3, CLOSES, True),
        ([(1.62, 0.0, 1.60)] * 3, REVERSED, True),
        ([(-0.03, 0.0, 0.05)] * 3, CLOSES, False),
        ([(0.05, 0.0, 0.05)] * 3, OPEN, False),  # too small a current to say which way round
        ([(-0.13, 0.0, 0.13), (-1.60, 0.0, 0.13), (-0.13, 0.0, 0.13)], CLOSES, True),
        ([(1.87, 2.00, 0.13)], UNKNOWN, False),
        ([], UNKNOWN, False),
    ],
)
def test_verdicts(rows: list[tuple[float, float, float]], verdict: str, proved: bool) -> None:
    closure = judge(pairs(other_side(SITE), site_seen(*rows), EVERY_S))
    assert (closure.verdict, closure.sign_proved) == (verdict, proved)


def test_readings_far_apart_in_time_are_not_compared() -> None:
    assert pairs(other_side(SITE), site_seen((1.0, 1.0, 0.0), lag_s=3.0), EVERY_S) == []


def test_a_site_without_a_shunt_in_the_lead_has_nothing_to_compare() -> None:
    site = attrs.evolve(SITE, instruments={"controller": SITE.instruments["controller"]})
    side = other_side(site)
    assert side.plan is None and side.why_not


def test_a_load_that_nothing_measures_is_the_reason_why_not() -> None:
    site = attrs.evolve(SITE, loads={"repeater": Load("repeater", 0.13, 1.6, "bank")})
    side = other_side(site)
    assert side.shunt == "shunt" and side.plan is None
    assert "repeater" in side.why_not[0]


def test_a_steady_draw_known_from_the_file_widens_the_limit() -> None:
    site = attrs.evolve(SITE, loads={**SITE.loads, "router": Load("router", 0.5, None, "bank")})
    side = other_side(site)
    assert side.plan is not None and side.plan.steady_a == 0.5
    found = pairs(side, site_seen(*[(-0.80, 0.0, 0.13)] * 3), EVERY_S)
    assert judge(found).verdict == OPEN
    assert judge(found, side.plan.steady_sigma_a).verdict == CLOSES


@pytest.mark.parametrize(
    ("bank_a", "charge_a", "panel_w", "told"),
    [
        (0.5, 0.0, 0.0, True),
        (0.5, None, 0.0, True),
        (0.5, 0.0, None, True),
        (0.5, None, None, False),
        (0.5, 1.0, 20.0, False),
        (0.5, 0.0, 20.0, False),
        (-0.5, 0.0, 0.0, False),
        (0.05, 0.0, 0.0, False),
        (None, 0.0, 0.0, False),
    ],
)
def test_charging_in_the_dark(bank_a: float | None, charge_a: float | None, panel_w: float | None, told: bool) -> None:
    assert charges_in_the_dark(bank_a, charge_a, panel_w) is told
