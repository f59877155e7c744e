"""One transmitter in a current: seen by its height in the dark, by its quick steps in the sun."""

import json
from collections.abc import Iterable
from random import Random

import pytest

from shared.keyings import BEGAN, ENDED, LOAD, LOST, KeyingWatch

IDLE_A, STEP_A = 0.13, 1.47


def fold(watch: KeyingWatch, draws: Iterable[float], *, absolute: bool = True, dt_s: float = 1.0) -> list[int]:
    return [told for draw in draws if (told := watch.step(dt_s, draw, absolute))]


def keying(length: int, idle_a: float = IDLE_A, step_a: float = STEP_A) -> list[float]:
    return [idle_a] * 20 + [idle_a + step_a] * length + [idle_a] * 20


@pytest.mark.parametrize("absolute", [True, False])
@pytest.mark.parametrize("length", [1, 2, 3, 14, 120])
def test_a_keying_begins_and_ends_and_is_as_long_as_it_was(length: int, absolute: bool) -> None:
    watch = KeyingWatch(STEP_A)
    assert fold(watch, keying(length), absolute=absolute) == [BEGAN, ENDED]
    assert watch.for_s == pytest.approx(length)


@pytest.mark.parametrize("absolute", [True, False])
def test_an_instrument_that_averages_shows_an_edge_as_two_parts(absolute: bool) -> None:
    watch = KeyingWatch(STEP_A)
    part = [IDLE_A + 0.6 * STEP_A]
    draws = [IDLE_A] * 9 + part + [IDLE_A + STEP_A] * 10 + part + [IDLE_A] * 9
    assert fold(watch, draws, absolute=absolute) == [BEGAN, ENDED]
    assert watch.for_s == pytest.approx(11.2, abs=1.0)  # 10 s, and 0.6 s at either end


def test_sun_that_comes_and_goes_is_no_keying() -> None:
    """Clouds take seconds to half a minute for a step as high as the transmitter's."""
    watch, draws, sun_a = KeyingWatch(STEP_A), [], 2.0
    chance = Random(3)
    for _ in range(200):
        aim_a, over = chance.choice((0.1, 2.0, 1.2)), chance.randint(4, 30)
        for step in range(over):
            draws.append(IDLE_A - sun_a - (aim_a - sun_a) * step / over)
        sun_a = aim_a
    assert fold(watch, draws, absolute=False) == []


def test_a_keying_in_the_sun_is_seen_while_the_sun_moves() -> None:
    watch = KeyingWatch(STEP_A)
    draws = [draw - 0.01 * second for second, draw in enumerate(keying(30))]
    assert fold(watch, draws, absolute=False) == [BEGAN, ENDED]


@pytest.mark.parametrize("extra_a", [0.3, 0.5, 0.7, 0.9])
def test_another_load_is_not_taken_for_the_transmitter_and_hides_none(extra_a: float) -> None:
    watch = KeyingWatch(STEP_A)
    fold(watch, keying(10))
    told = fold(watch, [IDLE_A + extra_a] * 400)
    assert told in ([], [BEGAN, LOAD])
    assert not watch.keyed
    assert fold(watch, keying(12, IDLE_A + extra_a)) == [BEGAN, ENDED]
    assert watch.own_step_a() == pytest.approx(STEP_A, rel=0.02)
    assert fold(watch, [IDLE_A] * 60 + keying(9)) == [BEGAN, ENDED], "and after it has gone again"


def test_a_keying_on_top_of_a_load_that_has_just_come_is_seen() -> None:
    watch = KeyingWatch(STEP_A)
    told = fold(watch, [IDLE_A] * 9 + [IDLE_A + 0.8] * 20 + [IDLE_A + 0.8 + STEP_A] * 10 + [IDLE_A + 0.8] * 20)
    assert told == [BEGAN, LOAD, BEGAN, ENDED]


def test_a_stuck_transmitter_stays_keyed() -> None:
    watch = KeyingWatch(STEP_A)
    fold(watch, [IDLE_A] * 9 + [IDLE_A + STEP_A] * 7200)
    assert watch.keyed and watch.sure
    assert watch.for_s == pytest.approx(7200.0, abs=1.0)


def test_an_end_hidden_by_the_sun_is_given_up() -> None:
    watch = KeyingWatch(STEP_A)
    told = fold(watch, [-0.5] * 9 + [-0.5 + STEP_A] * 5 + [0.97 - 0.05 * s for s in range(25)], absolute=False)
    assert told == [BEGAN]
    assert fold(watch, [-0.3] * 400, absolute=False) == [LOST]
    assert not watch.keyed


def test_a_keying_that_goes_on_over_missed_rows_is_one() -> None:
    watch = KeyingWatch(STEP_A)
    fold(watch, [IDLE_A] * 9 + [IDLE_A + STEP_A] * 9)
    watch.pause()
    assert fold(watch, [IDLE_A + STEP_A] * 9 + [IDLE_A]) == [ENDED]
    fold(watch, [IDLE_A] * 9 + [IDLE_A + STEP_A] * 9)
    watch.pause()
    assert fold(watch, [IDLE_A]) == [ENDED], "and one that ended meanwhile is over"


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("absolute", [True, False])
def test_any_keyings_are_counted_and_cut_anywhere_the_same(seed: int, absolute: bool) -> None:
    chance, draws, truth = Random(seed), [], 0
    for _ in range(60):
        quiet, length = chance.randint(2, 40), chance.randint(1, 60)
        truth += length
        draws += [IDLE_A + chance.gauss(0.0, 0.01) for _ in range(quiet)]
        draws += [IDLE_A + STEP_A + chance.gauss(0.0, 0.01) for _ in range(length)]
    draws += [IDLE_A] * 5
    whole, part, resumed = KeyingWatch(STEP_A), KeyingWatch(STEP_A), KeyingWatch(STEP_A)
    cut, seconds, count = chance.randrange(len(draws)), 0.0, 0
    for draw in draws:
        if whole.step(1.0, draw, absolute) == ENDED:
            seconds += whole.for_s
            count += 1
    assert count == 60
    assert seconds == pytest.approx(truth)
    fold(part, draws[:cut], absolute=absolute)
    resumed.restore(json.loads(json.dumps(part.snapshot())))
    fold(resumed, draws[cut:], absolute=absolute)
    assert resumed.snapshot() == whole.snapshot()
