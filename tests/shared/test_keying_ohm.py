import json
from collections.abc import Iterator
from random import Random

import pytest

from shared.keying_ohm import OHM_PER_DEPTH, OHM_PER_K, KeyingOhm

IDLE_A, KEYED_A = -0.2, -1.7


def rows(
    ohm: float, keyings: int, *, start_s: float = 0.0, every_s: float = 1.0, quiet: float = 40, seed: int = 1
) -> Iterator[tuple[float, float, float]]:
    """Ohm's law at a bank of 12.7 V, with a meter of 2 mV noise: (at_s, bank_v, bank_a)."""
    chance, at_s = Random(seed), start_s
    for _ in range(keyings):
        for amps in (IDLE_A,) * int(quiet) + (KEYED_A,) * 10:
            at_s += every_s
            yield at_s, 12.7 + ohm * amps + chance.gauss(0.0, 0.002), amps


def watched(
    ohm: float,
    keyings: int,
    into: KeyingOhm | None = None,
    *,
    start_s: float = 0.0,
    every_s: float = 1.0,
    quiet: float = 40,
) -> KeyingOhm:
    watch = into or KeyingOhm(24.0)
    for at_s, bank_v, bank_a in rows(ohm, keyings, start_s=start_s, every_s=every_s, quiet=quiet):
        if watch.step(at_s, bank_v, bank_a):
            watch.fold(at_s, 25.0, 1.0)
    return watch


@pytest.mark.parametrize("ohm", [0.008, 0.017, 0.06])
def test_ohms_law_gives_the_resistance(ohm: float) -> None:
    found = watched(ohm, 60).report()
    assert found["ohm"] == pytest.approx(ohm, rel=0.08)
    assert found["ohm_quick"] is True


def test_it_is_referred_to_25_c_and_a_full_bank() -> None:
    """A cold bank, half empty, shows more than it has at 25 C when full: both by the module's own bands."""
    watch = KeyingOhm(24.0)
    for at_s, bank_v, bank_a in rows(0.02, 40):
        if watch.step(at_s, bank_v, bank_a):
            watch.fold(at_s, 5.0, 0.5)
    expected = 0.02 / (1.0 + 20.0 * OHM_PER_K) / (1.0 + 0.5 * OHM_PER_DEPTH)
    assert watch.recent_ohm == pytest.approx(expected, rel=0.08)


def test_a_jump_shows_and_is_usual_after_a_week_or_two() -> None:
    watch = watched(0.017, 100)
    assert watch.jump() == pytest.approx(0.0, abs=0.1)
    watched(0.051, 40, watch, start_s=86_400.0)
    jumped = watch.jump()
    assert jumped is not None and jumped > 0.9, "three times as much, folded in over four sets of edges"
    for day in range(2, 30):
        watched(0.051, 20, watch, start_s=86_400.0 * day)
    jump, rise = watch.jump(), watch.rise()
    assert jump is not None and jump < 0.15, "what stands for weeks is no jump any more"
    assert rise == pytest.approx(2.0, rel=0.15), "but it is still a rise against the first"


def test_nothing_is_told_before_there_is_enough() -> None:
    assert watched(0.017, 20).jump() is None


def test_under_charge_nothing_is_taken() -> None:
    watch = KeyingOhm(24.0)
    for at_s, bank_v, bank_a in rows(0.017, 60):
        assert not watch.step(at_s, bank_v, bank_a + 0.4)
    assert watch.recent_ohm is None


def test_an_edge_right_after_another_keying_is_left_out() -> None:
    assert watched(0.017, 60, quiet=8).recent_ohm is None


def test_slow_rows_count_where_there_are_no_others_and_never_mix_with_quick_ones() -> None:
    watch = watched(0.017, 30, every_s=10.0)
    assert watch.recent_ohm == pytest.approx(0.017, rel=0.1)
    assert not watch.is_quick
    watched(0.010, 20, watch, start_s=86_400.0)
    assert watch.is_quick
    assert watch.first_ohm == pytest.approx(0.010, rel=0.15), "another kind of step, another first value"


@pytest.mark.parametrize("cut", [3, 41, 777, 2000])
def test_cut_and_resumed_it_is_the_same(cut: int) -> None:
    told = list(rows(0.017, 60))
    whole, part, resumed = KeyingOhm(24.0), KeyingOhm(24.0), KeyingOhm(24.0)
    for at_s, bank_v, bank_a in told[:cut]:
        for watch in (whole, part):
            if watch.step(at_s, bank_v, bank_a):
                watch.fold(at_s, 18.0, 0.8)
    resumed.restore(json.loads(json.dumps(part.snapshot())))
    for at_s, bank_v, bank_a in told[cut:]:
        for watch in (whole, resumed):
            if watch.step(at_s, bank_v, bank_a):
                watch.fold(at_s, 18.0, 0.8)
    assert resumed.snapshot() == whole.snapshot()
