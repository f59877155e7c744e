import json
from random import Random

import pytest

from shared.transmit_habit import IdleHabit, PauseHabit, StepHabit


def steps(*means: tuple[float, int], spread: float = 0.01, seed: int = 1) -> StepHabit:
    habit, chance = StepHabit(), Random(seed)
    for mean_a, count in means:
        for _ in range(count):
            habit.fold(chance.gauss(mean_a, spread * mean_a))
    return habit


def test_a_step_is_known_after_some_keyings_that_agree() -> None:
    assert not steps((1.47, 7)).is_alike
    assert steps((1.47, 8)).is_alike
    chance, mixed = Random(2), StepHabit()
    for _ in range(30):
        mixed.fold(chance.choice((0.5, 1.0, 2.0)))
    assert not mixed.is_alike, "loads of all kinds are no transmitter"


@pytest.mark.parametrize(("factor", "shift"), [(1.0, 0.0), (0.7, 0.3), (1.25, 0.25)])
def test_twenty_other_keyings_show_the_change(factor: float, shift: float) -> None:
    habit = steps((1.47, 200), (1.47 * factor, 20))
    assert habit.shift() == pytest.approx(shift, abs=0.02)


def test_a_change_within_the_usual_spread_is_none() -> None:
    """Four standard errors of a median of twenty: 4 x 1.2533 x 30 % / sqrt(20) is 34 %."""
    assert steps((1.0, 200), (1.2, 20), spread=0.3).shift() == 0.0


def test_before_forty_keyings_no_change_is_told() -> None:
    assert steps((1.47, 39)).shift() is None


def test_a_pause_counts_against_the_longest_usual_one() -> None:
    habit = PauseHabit()
    assert habit.ratio() is None
    for _ in range(12):
        habit.pass_time(12 * 3600.0)
        habit.keyed()
    assert habit.usual_s == 12 * 3600.0
    habit.pass_time(36 * 3600.0)
    assert habit.ratio() == pytest.approx(3.0)
    habit.keyed()
    assert habit.ratio() == 0.0


def test_quiet_nights_are_usual_even_where_the_days_are_busy() -> None:
    habit = PauseHabit()
    for _ in range(200):
        habit.pass_time(900.0)
        habit.keyed()
    habit.pass_time(9 * 3600.0)
    ratio = habit.ratio()
    assert ratio is not None and ratio < 1.5


def idle(*levels: tuple[float, float]) -> IdleHabit:
    """Levels in A, each for so many hours, one row a second."""
    habit, chance = IdleHabit(), Random(4)
    for level_a, hours in levels:
        for _ in range(round(hours * 3600.0)):
            habit.fold(1.0, chance.gauss(level_a, 0.004))
    return habit


def test_a_new_steady_load_shows_above_the_usual_draw() -> None:
    habit = idle((0.22, 8.0), (0.72, 0.5))
    assert habit.unexplained_a() == pytest.approx(0.5, abs=0.02)
    assert idle((0.22, 9.0)).unexplained_a() == pytest.approx(0.0, abs=0.005)


def test_before_some_hours_nothing_is_unexplained() -> None:
    assert idle((0.22, 2.0), (0.72, 1.0)).unexplained_a() is None


def test_a_few_minutes_of_something_are_no_steady_load() -> None:
    assert idle((0.22, 8.0), (2.0, 0.05)).unexplained_a() == pytest.approx(0.0, abs=0.01)


def test_cut_and_resumed_all_three_go_on_alike() -> None:
    pauses = PauseHabit()
    pauses.pass_time(100.0)
    for made, fresh in ((steps((1.5, 30)), StepHabit()), (pauses, PauseHabit()), (idle((0.2, 1.0)), IdleHabit())):
        fresh.restore(json.loads(json.dumps(made.snapshot())))
        assert fresh.snapshot() == made.snapshot()
