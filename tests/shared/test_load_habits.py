"""Habits of the load, and what is beyond them, on pieces made for it."""

import json
from collections.abc import Callable
from random import Random

import pytest

from shared.flows import PIECE_S, Piece
from shared.load_habits import DUTY, MONITOR_A, LoadHabits, prior_load_a
from shared.site import Load

IDLE_A, TRANSMIT_A, MONITOR = 0.13, 1.60, 0.08
PIECES_A_DAY = int(86_400 / PIECE_S)


def duty_a(duty: float) -> float:
    return IDLE_A + MONITOR + (TRANSMIT_A - IDLE_A) * duty


class Days:
    """Feeds pieces one after the other; hour 0 is midnight of a Monday."""

    def __init__(self, habits: LoadHabits) -> None:
        self.habits = habits
        self.number = 0

    @property
    def hour(self) -> float:
        return self.number % PIECES_A_DAY * PIECE_S / 3600.0

    def feed(self, load_a: float, floor_a: float = IDLE_A + MONITOR) -> None:
        day = self.number // PIECES_A_DAY
        piece = Piece(self.number * PIECE_S, PIECE_S, -load_a, 0.0, floor_a, 12.6, 12.6, 0.0, 15.0)
        self.habits.learn(piece, load_a, self.hour, day % 7)
        self.number += 1
        if not self.number % PIECES_A_DAY:
            self.habits.end_day(day % 7)

    def run(self, hours: float, load_a: Callable[[], float]) -> None:
        for _ in range(round(hours * 3600.0 / PIECE_S)):
            self.feed(load_a())


def test_before_anything_was_seen_the_site_file_counts() -> None:
    loads = {"repeater": Load("repeater", IDLE_A, TRANSMIT_A), "link": Load("link", 0.05)}
    prior_a = prior_load_a(loads, 24.0)
    assert prior_a == pytest.approx(IDLE_A + DUTY * (TRANSMIT_A - IDLE_A) + 0.05 + MONITOR_A)
    assert LoadHabits(prior_a).mean_a() == pytest.approx(prior_a)
    # A site that tells of no load: a bank for about two days to half (common practice), 0.5 * 24 Ah / 48 h.
    assert prior_load_a({}, 24.0) == pytest.approx(0.25, rel=0.2)


def test_hours_and_weekdays_are_learned() -> None:
    days = Days(LoadHabits(0.25))
    for _ in range(28 * PIECES_A_DAY):
        busy = 19.0 <= days.hour < 20.0
        sunday = days.number // PIECES_A_DAY % 7 == 6
        days.feed((0.60 if busy else 0.20) * (1.5 if sunday else 1.0))
    habits = days.habits
    assert habits.expected_a(19.5, 2) == pytest.approx(0.60, rel=0.08)
    assert habits.expected_a(3.5, 2) == pytest.approx(0.20, rel=0.08)
    assert 1.2 < habits.weekday_factor(6) / habits.weekday_factor(2) < 1.6
    assert habits.idle_a() <= 0.22


def test_traffic_of_an_emergency_outweighs_the_habit_within_the_hour() -> None:
    """Duty from 3 to 30 % at dusk."""
    days, chance = Days(LoadHabits(0.25)), Random(3)
    days.run(7 * 24.0 + 18.0, lambda: duty_a(max(0.0, chance.gauss(0.03, 0.02))))
    assert days.habits.excess(days.hour)[0] == 0.0
    days.run(1.0, lambda: duty_a(0.30))
    over_a, lasts_h = days.habits.excess(days.hour)
    assert over_a == pytest.approx(duty_a(0.30) - duty_a(0.03), rel=0.1)
    assert lasts_h > 4.0


def test_a_short_call_and_one_that_is_over_change_nothing() -> None:
    days, chance = Days(LoadHabits(0.25)), Random(4)
    days.run(7 * 24.0, lambda: duty_a(max(0.0, chance.gauss(0.05, 0.03))))
    days.run(1.0 / 6.0, lambda: duty_a(1.0))
    days.run(0.5, lambda: duty_a(0.05))
    assert days.habits.excess(days.hour)[0] == 0.0


def test_what_is_switched_on_by_hand_is_off_again_soon_unless_it_was_forgotten() -> None:
    days = Days(LoadHabits(0.25))
    days.run(7 * 24.0, lambda: duty_a(0.05))
    for _ in range(24):
        days.feed(duty_a(0.05) + 1.0, floor_a=IDLE_A + MONITOR + 1.0)
    over_a, lasts_h = days.habits.excess(days.hour)
    assert over_a == pytest.approx(1.0, rel=0.15) and lasts_h < 2.0
    for _ in range(12 * 12):
        days.feed(duty_a(0.05) + 1.0, floor_a=IDLE_A + MONITOR + 1.0)
    assert days.habits.excess(days.hour)[1] > 8.0


def test_what_was_learned_is_taken_up_again() -> None:
    days, chance = Days(LoadHabits(0.25)), Random(5)
    days.run(9 * 24.0 + 7.0, lambda: duty_a(abs(chance.gauss(0.05, 0.05))))
    saved = json.loads(json.dumps(days.habits.snapshot()))
    again = LoadHabits(0.25)
    again.resume(saved)
    assert again.habit() == pytest.approx(days.habits.habit(), rel=1e-3)
    assert list(again.ratios) == pytest.approx(list(days.habits.ratios), abs=1e-4)
    with pytest.raises((KeyError, TypeError, ValueError)):
        again.resume({"sum_a": [1.0]})
