"""Counting: the counter through gaps, resets, absence and standstill, and the current alone."""

import pytest

from shared.ah_count import AhCount


def counting(start_ah: float = -5.0) -> AhCount:
    count = AhCount(24.0)
    count.advance(1e-3, None, start_ah, False)
    return count


def test_counter_difference_is_taken_over_the_sampled_current() -> None:
    count = counting()
    assert count.advance(10.0, -1.6, -5.001, False) == pytest.approx(-0.001)


def test_counter_goes_on_through_a_gap_of_six_hours() -> None:
    assert counting().advance(21600.0, -0.145, -6.2, False) == pytest.approx(-1.2)


def test_reset_is_bridged_by_the_current() -> None:
    count = counting()
    went_ah = sum(count.advance(10.0, -0.36, -5.0 - 0.001 * (i + 1), False) for i in range(5))
    assert went_ah == pytest.approx(-0.005)
    assert count.advance(70.0, -0.36, 0.0, False) == pytest.approx(-0.36 * 70 / 3600)
    assert count.advance(10.0, -0.36, -0.001, False) == pytest.approx(-0.001)


def test_small_counter_that_resets_is_seen_too() -> None:
    count = counting(-0.2)
    assert count.advance(70.0, -0.145, 0.0, False) == pytest.approx(-0.145 * 70 / 3600)


def test_jump_after_frozen_rows_is_made_good() -> None:
    count = counting()
    for _ in range(180):
        assert count.advance(10.0, -0.145, -5.0, True) == 0.0
    assert count.advance(10.0, -0.145, -5.4, False) == pytest.approx(-0.4)


def test_missing_counter_is_replaced_by_the_current_and_nothing_is_counted_twice() -> None:
    count = counting()
    went_ah = sum(count.advance(10.0, -0.36, None, False) for _ in range(100))
    went_ah += count.advance(10.0, -0.36, -5.111, False)
    assert went_ah == pytest.approx(-0.111)


def test_counter_that_stands_still_while_current_flows_is_given_up_and_taken_back() -> None:
    count = counting()
    went_ah = sum(count.advance(10.0, -1.0, -5.0, False) for _ in range(720))
    assert went_ah == pytest.approx(-2.0, rel=0.01)
    assert count.stuck
    count.advance(10.0, -1.0, -4.0, False)  # it moves again: a new base, no jump
    assert not count.stuck
    assert count.advance(10.0, -1.0, -4.003, False) == pytest.approx(-0.003)


def test_current_alone_is_averaged_and_long_gaps_are_blind() -> None:
    count = AhCount(24.0)
    count.advance(1e-3, None, None, False)
    count.last_a = 1.0
    assert count.advance(36.0, 2.0, None, False) == pytest.approx(0.015)
    assert count.advance(7200.0, 2.0, None, False) == 0.0
    assert count.variance_ah2 == pytest.approx((0.012 * 24.0 * 2.0) ** 2)
