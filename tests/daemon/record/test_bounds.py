"""Boots without a date lie between those that have one: worked by hand on a few boots."""

from hypothesis import given
from hypothesis import strategies as st

from daemon.record import BootEntry
from daemon.record.bounds import Bounds, bounds_of


def entries(count: int) -> list[BootEntry]:
    return [BootEntry(number, f"{number:032x}", 10.0, 0.0) for number in range(1, count + 1)]


def dated(starts: dict[int, float]):  # type: ignore[no-untyped-def]
    return lambda boot, at_s: starts[boot] + at_s if boot in starts else None


def test_a_dated_time_is_known_from_both_sides() -> None:
    assert bounds_of(entries(1), {1: 50.0}, dated({1: 1000.0}), 1, 20.0) == Bounds(1020.0, 1020.0)


def test_between_two_dated_boots() -> None:
    # Boot 1 was recorded up to 1100, boot 3 began at 5000; boot 2 was recorded for 600 s.
    newest = {1: 100.0, 2: 600.0, 3: 50.0}
    found = bounds_of(entries(3), newest, dated({1: 1000.0, 3: 5000.0}), 2, 200.0)
    assert found == Bounds(1100.0 + 200.0, 5000.0 - 400.0)


def test_several_undated_boots_take_their_time() -> None:
    newest = {1: 100.0, 2: 600.0, 3: 700.0, 4: 50.0}
    known = dated({1: 1000.0, 4: 9000.0})
    assert bounds_of(entries(4), newest, known, 3, 0.0) == Bounds(1100.0 + 600.0, 9000.0 - 700.0)
    assert bounds_of(entries(4), newest, known, 2, 600.0) == Bounds(1100.0 + 600.0, 9000.0 - 700.0)


def test_nothing_before_or_after_tells_nothing_of_that_side() -> None:
    assert bounds_of(entries(2), {1: 100.0, 2: 60.0}, dated({}), 1, 5.0) == Bounds(None, None)
    assert bounds_of(entries(2), {1: 100.0, 2: 60.0}, dated({1: 7.0}), 2, 5.0) == Bounds(112.0, None)


@given(st.lists(st.tuples(st.floats(1.0, 1e6), st.floats(0.0, 1e6), st.booleans()), min_size=1, max_size=6), st.data())
def test_the_truth_lies_between(runs: list[tuple[float, float, bool]], data: st.DataObject) -> None:
    """Boots of any length, pauses of any length, some dated: the true time is never outside."""
    starts: dict[int, float] = {}
    now = 1e9
    for number, (length, pause, _) in enumerate(runs, 1):
        starts[number] = now
        now += length + pause
    newest = {number: run[0] for number, run in enumerate(runs, 1)}
    known = dated({number: starts[number] for number, run in enumerate(runs, 1) if run[2]})
    boot = data.draw(st.integers(1, len(runs)))
    at_s = data.draw(st.floats(0.0, newest[boot]))
    after, before = bounds_of(entries(len(runs)), newest, known, boot, at_s)
    true = starts[boot] + at_s
    assert after is None or after <= true + 1e-3
    assert before is None or before >= true - 1e-3
