"""Rainflow counting against the standard's own series, and against another implementation of it."""

from collections import defaultdict
from random import Random

import pytest
import rainflow

from shared.cycle_count import CycleCount, cycles_to_end

# ASTM E1049-85 (2017), 5.4.4, figure 6: the reversals and the figure's number from memory, the counts as rainflow
# 3.2.0 gives them, which states that it implements 5.4.4.
SERIES = (-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0)
COUNTS = {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}


class Tally(CycleCount):
    """Keeps every range it counts."""

    def __init__(self, least: float = 1e-9) -> None:
        super().__init__("agm", least=least)
        self.found: dict[float, float] = defaultdict(float)

    def _count(self, ranged: float, count: float) -> None:
        self.found[round(ranged, 9)] += count


def counted(values: list[float]) -> dict[float, float]:
    tally = Tally()
    for value in values:
        tally.fold(value)
    tally.as_if_over()  # counts into the same table
    return {ranged: count for ranged, count in tally.found.items() if ranged > 0.0}


def test_the_standards_series_is_counted_as_it_says() -> None:
    found = counted(list(SERIES))
    assert found == COUNTS
    assert sum(found.values()) == 4.0
    assert sum(ranged * count for ranged, count in found.items()) == 23.0


def test_points_between_the_turning_points_change_nothing() -> None:
    between = [v for a, b in zip(SERIES, SERIES[1:], strict=False) for v in (a, a + 0.3 * (b - a), a + 0.6 * (b - a))]
    assert counted([*between, SERIES[-1]]) == COUNTS


@pytest.mark.parametrize("seed", range(40))
def test_any_series_is_counted_as_by_the_rainflow_package(seed: int) -> None:
    chance = Random(seed)
    values = [round(chance.random(), 3) for _ in range(chance.randint(2, 200))]
    theirs: dict[float, float] = defaultdict(float)
    for ranged, _, count, _, _ in rainflow.extract_cycles(values):
        theirs[round(ranged, 9)] += count
    assert counted(values) == pytest.approx({r: c for r, c in theirs.items() if r > 0.0})


@pytest.mark.parametrize(
    ("chemistry", "depth", "least", "most"),
    [
        # Two trade pages of one origin: 750 cycles at half, 225 at 80 %, verified there. Band only.
        ("flooded", 0.5, 400.0, 1200.0),
        ("flooded", 0.8, 120.0, 400.0),
        # AGM: about 200 at all, 400-500 at half, 1000-1200 at 30 %: from memory, band only.
        ("agm", 1.0, 150.0, 250.0),
        ("agm", 0.5, 400.0, 500.0),
        ("agm", 0.3, 1000.0, 1200.0),
        # LiFePO4: 2000-6000 at 80 %: from memory, band only.
        ("lifepo4", 0.8, 2000.0, 6000.0),
    ],
)
def test_cycle_life_lies_in_the_published_bands(chemistry: str, depth: float, least: float, most: float) -> None:
    fewest, mosts = cycles_to_end(chemistry, depth)
    assert least <= fewest <= mosts <= most
