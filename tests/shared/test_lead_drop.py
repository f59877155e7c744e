import json
from random import Random

import pytest

from shared.lead_drop import LeadDrop


def told(ohm: float, *, apart_v: float = -0.03, pairs: int = 2000, noise_v: float = 0.006, seed: int = 1) -> LeadDrop:
    """Ohm's law and a meter that is off; noise as of two meters of 10 mV and 1 mV resolution."""
    chance, lead = Random(seed), LeadDrop(24.0)
    for _ in range(pairs):
        lead_a = chance.choice((-0.2, -1.7, 1.5)) + chance.uniform(-0.1, 0.1)
        lead.fold(lead_a, apart_v + ohm * lead_a + chance.gauss(0.0, noise_v))
    return lead


@pytest.mark.parametrize("ohm", [0.004, 0.02, 0.126])
def test_slope_is_the_leads_resistance_and_height_the_meters_difference(ohm: float) -> None:
    lead = told(ohm)
    found = lead.ohm()
    assert found is not None
    assert found[0] == pytest.approx(ohm, abs=3.0 * found[1])
    assert found[1] < 0.002
    assert lead.apart_v() == pytest.approx(-0.03, abs=0.002)


def test_a_current_that_does_not_vary_tells_nothing() -> None:
    lead = LeadDrop(24.0)
    for _ in range(1000):
        lead.fold(-0.2, -0.03)
    assert lead.ohm() is None


def test_a_joint_that_goes_bad_shows_within_a_day() -> None:
    lead, chance = told(0.006), Random(2)
    for _ in range(8640):  # a day of one pair each 10 s
        lead_a = chance.choice((-0.2, -1.7, 1.5))
        lead.fold(lead_a, -0.03 + 0.126 * lead_a)
    found = lead.ohm()
    assert found is not None and found[0] == pytest.approx(0.126, rel=0.15)


def test_cut_and_resumed_it_is_the_same() -> None:
    lead = told(0.02)
    other = LeadDrop(24.0)
    other.restore(json.loads(json.dumps(lead.snapshot())))
    lead.fold(1.0, 0.0)
    other.fold(1.0, 0.0)
    assert lead.snapshot() == other.snapshot()
