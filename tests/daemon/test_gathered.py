"""Buckets: nothing is lost by joining them, and there are never too many."""

from hypothesis import given
from hypothesis import strategies as st

from daemon.gathered import BUCKETS_MOST, LADDER_S, Gathered


def test_least_mean_most_and_count_of_each_stretch() -> None:
    gathered = Gathered()
    for x, value in ((100.0, 3.0), (105.0, 5.0), (109.9, 1.0), (110.0, 7.0)):
        gathered.add(x, value)
    first, second = (gathered.buckets[n] for n in (10, 11))
    assert (first.least, first.mean, first.most, first.count) == (1.0, 3.0, 5.0, 3)
    assert (first.first_x, first.last_x) == (100.0, 109.9)
    assert (second.least, second.count) == (7.0, 1)


def test_a_long_row_gets_longer_buckets_and_keeps_what_was_seen() -> None:
    gathered = Gathered()
    count = 3 * BUCKETS_MOST
    for n in range(count):
        gathered.add(1.7e9 + 10.0 * n, float(n))
    assert len(gathered.buckets) <= BUCKETS_MOST
    assert gathered.size_s == 60.0
    assert gathered.count == count
    assert sum(bucket.total for bucket in gathered.buckets.values()) == sum(range(count))
    assert gathered.span() == (1.7e9, 1.7e9 + 10.0 * (count - 1))


def test_each_step_of_the_ladder_divides_the_next() -> None:
    assert all(longer % shorter == 0.0 for shorter, longer in zip(LADDER_S, LADDER_S[1:], strict=False))


@given(st.lists(st.tuples(st.floats(0.0, 1e6), st.floats(-100.0, 100.0)), min_size=1, max_size=200))
def test_joined_buckets_tell_the_same(pairs: list[tuple[float, float]]) -> None:
    gathered = Gathered()
    for x, value in pairs:
        gathered.add(x, value)
    joined = gathered.by(3600.0, 1800.0)
    assert sum(bucket.count for bucket in joined.values()) == len(pairs)
    assert min(bucket.least for bucket in joined.values()) == min(value for _, value in pairs)
    assert max(bucket.most for bucket in joined.values()) == max(value for _, value in pairs)


def test_local_hours_begin_where_local_time_says() -> None:
    gathered = Gathered()
    gathered.add(3600.0 * 23.75, 1.0)  # 00:15 in a zone half an hour ahead
    assert list(gathered.by(86_400.0, 1800.0)) == [1]
    assert list(gathered.by(86_400.0)) == [0]
