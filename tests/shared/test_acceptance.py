"""What the bank takes near full is learned from held hours made by a law of their own."""

import json
from random import Random

import pytest

from shared.acceptance import Acceptance
from shared.site import Bank

BANK = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
PIECE_S = 300.0


def held_days(acceptance: Acceptance, top: float, hour_share: float, days: int) -> None:
    """Each day some hours held at absorption, from a charge drawn anew; pieces of five minutes."""
    chance = Random(7)
    keeps = (1.0 - hour_share) ** (PIECE_S / 3600.0)
    for _ in range(days):
        soc = chance.uniform(0.75, 0.88)
        for _ in range(int(5 * 3600.0 / PIECE_S)):
            went = (top - soc) * (1.0 - keeps)
            soc += went
            acceptance.learn(PIECE_S, went, soc, held=True)
        acceptance.learn(PIECE_S, -0.002, soc, held=False)


def test_the_published_acceptance_counts_before_anything_was_seen() -> None:
    fresh = Acceptance(BANK)
    assert 0.95 < fresh.top_frac < 1.0
    assert fresh.hour_share == pytest.approx(0.31, abs=0.05)  # 0.37 an hour: J. A. Mas (1967), see shared.chemistry


@pytest.mark.parametrize(("top", "hour_share"), [(0.93, 0.5), (0.98, 0.2)])
def test_the_sites_own_line_is_found(top: float, hour_share: float) -> None:
    learned = Acceptance(BANK)
    held_days(learned, top, hour_share, 25)
    assert learned.top_frac == pytest.approx(top, abs=0.01)
    assert learned.hour_share == pytest.approx(hour_share, abs=0.06)
    again = Acceptance(BANK)
    again.resume(json.loads(json.dumps(learned.snapshot())))
    assert again.top_frac == pytest.approx(learned.top_frac, abs=1e-3)


def test_charging_that_is_not_held_teaches_nothing() -> None:
    fresh, fed = Acceptance(BANK), Acceptance(BANK)
    for _ in range(200):
        fed.learn(PIECE_S, 0.01, 0.7, held=False)
    assert (fed.top_frac, fed.hour_share) == (fresh.top_frac, fresh.hour_share)
