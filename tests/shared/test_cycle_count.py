import json
from random import Random

import pytest

from shared.cycle_count import LIFE, CycleCount, cycles_to_end


def swings(count: CycleCount, values: list[float]) -> None:
    for value in values:
        count.fold(value)


def test_a_day_down_to_half_and_back_is_one_cycle_at_that_depth() -> None:
    count = CycleCount("agm")
    swings(count, [1.0, 0.5, 1.0, 0.5, 1.0])
    found = count.with_open()
    assert found["cycles"] == pytest.approx(2.0)
    # Miner: two cycles of 400 to 500 at that depth use 2/500 to 2/400 of the life.
    assert found["wear_least"] == pytest.approx(2.0 / 500.0)
    assert found["wear_most"] == pytest.approx(2.0 / 400.0)


def test_the_estimates_unrest_is_no_cycle() -> None:
    count = CycleCount("agm")
    swings(count, [0.80 + 0.01 * (i % 2) for i in range(500)])
    assert count.with_open()["cycles"] == 0.0


@pytest.mark.parametrize("chemistry", LIFE)
def test_deeper_cycles_are_fewer(chemistry: str) -> None:
    lives = [cycles_to_end(chemistry, depth / 100.0) for depth in range(1, 101)]
    assert all(
        later[0] < earlier[0] and later[1] < earlier[1] for earlier, later in zip(lives, lives[1:], strict=False)
    )
    assert all(0.0 < least <= most for least, most in lives)


def test_depth_is_weighed() -> None:
    """The same charge through the bank wears it more in deep swings than in shallow ones."""
    deep, shallow = CycleCount("flooded"), CycleCount("flooded")
    swings(deep, [1.0, 0.2] * 10)
    swings(shallow, [1.0, 0.8] * 40)
    assert deep.with_open()["full_swings"] == pytest.approx(shallow.with_open()["full_swings"], rel=0.05)
    assert deep.with_open()["wear_most"] > 1.5 * shallow.with_open()["wear_most"]


@pytest.mark.parametrize("seed", range(10))
def test_cut_anywhere_and_resumed_it_counts_the_same(seed: int) -> None:
    chance = Random(seed)
    values = [chance.random() for _ in range(300)]
    whole, part = CycleCount("gel"), CycleCount("gel")
    cut = chance.randrange(300)
    swings(whole, values)
    swings(part, values[:cut])
    resumed = CycleCount("gel")
    resumed.restore(json.loads(json.dumps(part.snapshot())))
    swings(resumed, values[cut:])
    assert resumed.snapshot() == whole.snapshot()


def test_what_stays_open_is_bounded() -> None:
    count = CycleCount("agm")
    value, swing = 0.5, 0.5
    for i in range(5000):
        count.fold(value + swing * (-1) ** i)
        swing *= 0.9995
    assert len(count.snapshot()[4]) <= 401  # type: ignore[arg-type]
