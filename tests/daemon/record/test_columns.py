"""Columns, times on their grid, and chunks: what goes in comes out, small, and no single bit flips unseen."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.record.chunks import (
    HOURS,
    MINUTES,
    POLLS,
    VALUES,
    ChunkKey,
    DamagedChunk,
    PollBlock,
    Shape,
    check_chunk,
    pack_polls,
    pack_values,
    signed_row,
    take_polls,
    take_values,
)
from daemon.record.columns import DamagedColumn, put_column, put_in_slices, take_column
from daemon.record.poll_times import MOVED_MOST_MS, SHARE_MOST, on_grid, usual_gap_ms
from daemon.record.rollups import pack_rollups, roll_up, take_rollups

WIDEST = 1 << 61
numbers = st.one_of(st.integers(-100, 100), st.integers(-(10**6), 10**6), st.integers(1 - WIDEST, WIDEST - 1))


def there_and_back(column: list[int]) -> list[int]:
    body = bytearray(b"before")
    put_column(body, column)
    found, place = take_column(bytes(body), 6, len(column))
    assert place == len(body)
    return list(found)


@given(st.lists(numbers, min_size=1, max_size=300), st.sampled_from([1, 10, 7]))
def test_any_column_comes_back(column: list[int], divisor: int) -> None:
    column = [number // divisor * divisor for number in column]
    assert there_and_back(column) == column


@given(st.integers(-(10**9), 10**9), st.integers(-(10**6), 10**6), st.integers(1, 5000), st.integers(0, 40))
def test_slopes_and_steps_come_back(first: int, slope: int, count: int, noise: int) -> None:
    chance = random.Random(count)
    column = [first + n * slope + chance.randint(-noise, noise) for n in range(count)]
    assert there_and_back(column) == column


def size(column: list[int]) -> int:
    body = bytearray()
    put_column(body, column)
    return len(body)


def test_what_does_not_change_or_changes_evenly_takes_next_to_nothing() -> None:
    assert size([13_200] * 3600) <= 6
    assert size([n * 1000 for n in range(3600)]) <= 30
    assert size([13_200 + n % 2 * 10 for n in range(3600)]) <= 40


def test_a_column_of_six_hours_is_put_in_many_parts_and_is_not_there_before_the_last() -> None:
    chance = random.Random(5)
    column = [round(chance.gauss(1300.0, 4.0)) for _ in range(21_600)]
    body, parts = bytearray(), 0
    for _ in put_in_slices(body, column):
        assert not body
        parts += 1
    assert parts >= 4
    assert list(take_column(bytes(body), 0, len(column))[0]) == column


def test_a_coarse_device_is_not_paid_for_in_fine_steps() -> None:
    chance = random.Random(1)
    coarse = [round(chance.gauss(1320.0, 1.0)) for _ in range(3600)]
    assert abs(size([10 * number for number in coarse]) - size(coarse)) <= 4


@given(st.binary(max_size=40), st.integers(0, 50))
def test_rubbish_is_no_column_or_one_of_the_right_length_and_no_crash(rubbish: bytes, count: int) -> None:
    try:
        found, _ = take_column(rubbish, 0, count)
    except (DamagedColumn, IndexError, OverflowError):
        return
    assert len(found) == count or count == 0


# -- times ---------------------------------------------------------------------------------------


@given(st.integers(1, 20_000), st.lists(st.tuples(st.integers(1, 3), st.integers(0, 150)), max_size=200), st.booleans())
def test_no_time_moves_back_or_too_far_or_past_another(
    period: int, polls: list[tuple[int, int]], going_on: bool
) -> None:
    times: list[int] = []
    at = 0
    for periods, late in polls:
        at += periods * period
        times.append(max(at + late % (period + 1), times[-1] if times else 0))
    before = -period if going_on else None
    kept = on_grid(times, before_ms=before, end_ms=(times[-1] + 1) if times else None)
    most = min(usual_gap_ms(times) // SHARE_MOST, MOVED_MOST_MS)
    assert all(0 <= now - then <= most for then, now in zip(times, kept, strict=True))
    for place in range(1, len(times)):
        assert (kept[place] > kept[place - 1]) == (times[place] > times[place - 1])
    assert not times or kept[-1] <= times[-1]  # the end of the hour was right behind it


def test_times_that_are_on_the_grid_stay_to_the_millisecond() -> None:
    times = [250 + 1000 * n for n in range(3600) if not 100 < n < 180]
    assert on_grid(times) == times
    assert on_grid([5, 5, 5, 9, 9]) == [5, 5, 5, 9, 9]
    assert on_grid([]) == []


def test_the_grid_goes_on_from_the_hour_before() -> None:
    chance = random.Random(2)
    times = [1000 * n + chance.randint(5, 20) for n in range(1, 7200)]
    first = on_grid(times[:3599])
    second = on_grid(times[3599:], before_ms=first[-1])
    assert {after - before for before, after in zip(first + second, (first + second)[1:], strict=False)} == {1000}


# -- chunks --------------------------------------------------------------------------------------

KEY = ChunkKey(3, 77, VALUES, 12)
shapes = st.builds(
    Shape,
    st.lists(st.integers(1, 500), max_size=4).map(tuple),
    st.lists(st.tuples(st.integers(1, 9), st.sampled_from([(3, ""), (0, "zu heiß"), (0, "")])), max_size=3).map(
        lambda pairs: tuple((channel, *why) for channel, why in pairs)
    ),
    st.lists(st.integers(1, 500), max_size=3).map(tuple),
)


@given(st.lists(shapes, min_size=1, max_size=5, unique=True), st.lists(st.integers(0, 4), min_size=1, max_size=60))
def test_polls_and_shapes_with_their_reasons_come_back(of_block: list[Shape], order: list[int]) -> None:
    shape_of = [number % len(of_block) for number in order]
    key = KEY._replace(kind=POLLS)
    times = [key.start_ms + 1000 * n for n in range(len(order))]
    found = take_polls(key, pack_polls(key, PollBlock(12, times, of_block, shape_of)))
    assert (list(found.times_ms), found.shapes, list(found.shape_of)) == (times, of_block, shape_of)


def test_every_single_flipped_bit_is_found_in_bytes_and_key() -> None:
    row = pack_values(KEY, [1320, 1321, 1319, 1320] * 20)
    assert list(take_values(KEY, row)) == [1320, 1321, 1319, 1320] * 20
    for bit in range(len(row) * 8):
        damaged = bytearray(row)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(DamagedChunk):
            check_chunk(KEY.packed(), bytes(damaged))
    for bit in range(63):
        with pytest.raises(DamagedChunk):
            check_chunk(KEY.packed() ^ 1 << bit, row)


@given(st.binary(max_size=60), st.sampled_from([VALUES, MINUTES, HOURS, POLLS]))
def test_rubbish_behind_a_fitting_checksum_is_damage_or_something_never_a_crash(rubbish: bytes, kind: int) -> None:
    key = KEY._replace(kind=kind)
    row = signed_row(key.packed(), b"\x01" + rubbish)
    take = {VALUES: take_values, POLLS: take_polls}.get(kind, take_rollups)
    try:
        take(key, row)
    except DamagedChunk:
        return


def test_keys_come_apart_again_and_keep_their_order() -> None:
    keys = [ChunkKey(b, h, k, n) for b in (1, 8_388_607) for h in (0, 524_287) for n in (1, 524_287) for k in range(4)]
    assert [ChunkKey.of(key.packed()) for key in keys] == keys
    assert [key.packed() for key in keys] == sorted(key.packed() for key in keys)
    assert max(key.packed() for key in keys) < 2**63  # what an SQLite row id can be
    with pytest.raises(ValueError, match="outside"):
        ChunkKey(1, 524_288, VALUES, 1).packed()


# -- rollups -------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(1, 90_000), numbers), min_size=1, max_size=80), st.booleans())
def test_hours_come_back_exactly_and_minutes_to_the_step(polls: list[tuple[int, int]], integrals: bool) -> None:
    times, at = [], 0
    for gap, _ in polls:
        at += gap
        times.append(at)
    column = [value for _, value in polls]
    hours, minutes = roll_up(times, column, 3_600_000), roll_up(times, column, 60_000)
    key = ChunkKey(1, 0, HOURS, 2)
    found = take_rollups(key, pack_rollups(key, hours, integrals=True))
    assert found == hours
    key = ChunkKey(1, 0, MINUTES, 2)
    for was, now in zip(
        minutes.buckets, take_rollups(key, pack_rollups(key, minutes, integrals=integrals)).buckets, strict=True
    ):
        assert now[:2] + now[3:6] == was[:2] + was[3:6]
        assert abs(2 * (now.total - was.total)) <= was.good
    assert sum(bucket.good for bucket in hours.buckets) == len(polls)
    assert sum(bucket.total for bucket in hours.buckets) == sum(column)


def test_an_integral_is_value_times_time_and_a_gap_is_not_filled() -> None:
    # 10 A for 3 s, then nothing for 50 s, then 20 A for 2 s: 3 x 10 + 2 x 20 = 70 A s, by hand.
    times, column = [1000, 2000, 3000, 54_000, 55_000], [10, 10, 10, 20, 20]
    (bucket,) = roll_up(times, column, 60_000).buckets
    assert (bucket.covered_ms, bucket.integral, bucket.good, bucket.total) == (5000, 70_000, 5, 70)
