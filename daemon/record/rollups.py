"""Rollups: count, least, most, mean and time integral of a channel over each minute or hour; pure.

Buckets count from the start of the boot, like everything here. A value stands for the time since the
one before it; where that is more than three usual gaps nothing was seen, and it stands for one usual
gap. So the integral (in A s or W s) leaves out what nobody measured, and `covered` says how much that was.

Packed like chunks.py, as columns: bucket, count, least, most above least, then for minutes the mean
above the least, rounded to the step, and for hours the exact sum; what is covered beyond count times
the usual gap; and for hours of a current or a power the integral beyond usual gap times sum.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import add, mul
from typing import NamedTuple

from daemon.record.chunks import (
    FORMAT,
    HOURS,
    ChunkKey,
    DamagedChunk,
    check_chunk,
    signed_row,
)
from daemon.record.columns import put, put_column, take, take_column
from daemon.record.poll_times import usual_gap_ms

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
UNSEEN_GAPS = 3


class Bucket(NamedTuple):
    """One minute or hour of one channel; numbers in the channel's steps.

    Attributes:
        number: which one since boot: the first is 0.
        good: how many good values were in it.
        total: their sum; from a packed minute, count times the rounded mean.
        least, most: of the values.
        covered_ms: the time they stand for.
        integral: of value over time, steps times ms.
    """

    number: int
    good: int
    total: int
    least: int
    most: int
    covered_ms: int
    integral: int

    def with_(self, other: "Bucket") -> "Bucket":
        """The same bucket with what else was in it."""
        return Bucket(
            self.number,
            self.good + other.good,
            self.total + other.total,
            min(self.least, other.least),
            max(self.most, other.most),
            self.covered_ms + other.covered_ms,
            self.integral + other.integral,
        )


@dataclass(frozen=True, slots=True)
class RolledUp:
    """The buckets of one channel, oldest first, and the gap between its polls that is usual."""

    usual_ms: int
    buckets: Sequence[Bucket]


def roll_up(
    times_ms: Sequence[int], column: Sequence[int], span_ms: int, *, before_ms: int | None = None, usual_ms: int = 0
) -> RolledUp:
    """Roll a channel up.

    Args:
        times_ms: of its good values, oldest first.
        column: the values, in steps.
        span_ms: length of a bucket.
        before_ms: when it was good last before the first, None when not known.
        usual_ms: the usual gap, when there are too few times to tell.
    """
    usual_ms = usual_gap_ms(times_ms) or usual_ms
    weights = _weights(times_ms, before_ms, usual_ms)
    buckets: list[Bucket] = []
    begin = 0
    while begin < len(times_ms):
        number = times_ms[begin] // span_ms
        end = bisect_left(times_ms, (number + 1) * span_ms, begin)
        values, covered = column[begin:end], weights[begin:end]
        covered_ms, total = sum(covered), sum(values)
        integral = usual_ms * total
        if covered_ms != usual_ms * len(values) or covered.count(usual_ms) != len(values):
            integral = sum(map(mul, covered, values))
        buckets.append(Bucket(number, len(values), total, min(values), max(values), covered_ms, integral))
        begin = end
    return RolledUp(usual_ms, buckets)


def _weights(times_ms: Sequence[int], before_ms: int | None, usual_ms: int) -> list[int]:
    earlier = [times_ms[0] - usual_ms if before_ms is None else before_ms, *times_ms[:-1]]
    most_ms = UNSEEN_GAPS * usual_ms
    gaps = (time_ms - before for time_ms, before in zip(times_ms, earlier, strict=True))
    return [gap if 0 <= gap <= most_ms else usual_ms for gap in gaps]


def hours_of(minutes: Iterable[Bucket]) -> Iterator[Bucket]:
    """Put minutes together to hours."""
    return summed(bucket._replace(number=bucket.number // 60) for bucket in minutes)


def summed(buckets: Iterable[Bucket]) -> Iterator[Bucket]:
    """Put buckets of the same number, which follow each other, together."""
    held: Bucket | None = None
    for bucket in buckets:
        if held is not None and held.number == bucket.number:
            held = held.with_(bucket)
            continue
        if held is not None:
            yield held
        held = bucket
    if held is not None:
        yield held


def pack_rollups(key: ChunkKey, rolled: RolledUp, *, integrals: bool) -> bytes:
    """Pack buckets into a chunk of minutes or hours, by the key's kind."""
    buckets, usual_ms = rolled.buckets, rolled.usual_ms
    body = bytearray((FORMAT,))
    put(body, len(buckets))
    put(body, usual_ms)
    put_column(body, [bucket.number for bucket in buckets])
    put_column(body, [bucket.good for bucket in buckets])
    put_column(body, [bucket.least for bucket in buckets])
    put_column(body, [bucket.most - bucket.least for bucket in buckets])
    if key.kind == HOURS:
        _put_wide(body, [bucket.total - bucket.good * bucket.least for bucket in buckets])
    else:
        put_column(body, [_rounded(bucket.total, bucket.good) - bucket.least for bucket in buckets])
    put_column(body, [bucket.covered_ms - bucket.good * usual_ms for bucket in buckets])
    if key.kind == HOURS:
        exact = [bucket.integral - usual_ms * bucket.total for bucket in buckets]
        body.append(integrals)
        if integrals:
            _put_wide(body, exact)
    return signed_row(key.packed(), body)


def take_rollups(key: ChunkKey, row: bytes) -> RolledUp:
    """Give buckets back.

    Raises: DamagedChunk.
    """
    check_chunk(key.packed(), row)
    try:
        return _take(key, row)
    except (IndexError, ValueError, OverflowError, MemoryError) as why:
        raise DamagedChunk(f"chunk {key} makes no sense inside: {why}") from why


class Columns(NamedTuple):
    """What drawing a curve needs of packed buckets, each as long as the others; see Bucket."""

    numbers: Sequence[int]
    good: Sequence[int]
    least: Sequence[int]
    most: Sequence[int]
    total: Sequence[int]


def take_columns(key: ChunkKey, row: bytes) -> Columns:
    """Give the greater part of packed buckets back, much faster than all of it.

    Raises: DamagedChunk.
    """
    check_chunk(key.packed(), row)
    try:
        return _take_columns(key, row)[0]
    except (IndexError, ValueError, OverflowError, MemoryError) as why:
        raise DamagedChunk(f"chunk {key} makes no sense inside: {why}") from why


def _take_columns(key: ChunkKey, row: bytes) -> tuple[Columns, int, int]:
    """The columns, the usual gap, and the place behind them."""
    count, place = take(row, 5)
    usual_ms, place = take(row, place)
    numbers, place = take_column(row, place, count)
    good, place = take_column(row, place, count)
    least, place = take_column(row, place, count)
    spread, place = take_column(row, place, count)
    most = list(map(add, least, spread))
    if key.kind == HOURS:
        rest, place = _take_wide(row, place, count)
        total = list(map(add, map(mul, good, least), rest))
    else:
        mean, place = take_column(row, place, count)
        total = list(map(mul, good, map(add, least, mean)))
    return Columns(numbers, good, least, most, total), usual_ms, place


def _take(key: ChunkKey, row: bytes) -> RolledUp:
    columns, usual_ms, place = _take_columns(key, row)
    count = len(columns.numbers)
    rests, place = take_column(row, place, count)
    covered = [n * usual_ms + rest for n, rest in zip(columns.good, rests, strict=True)]
    if key.kind == HOURS and row[place]:
        excess, _ = _take_wide(row, place + 1, count)
        integrals = [usual_ms * total + rest for total, rest in zip(columns.total, excess, strict=True)]
    else:
        integrals = [
            total * ms // n if n * usual_ms != ms else total * usual_ms
            for total, ms, n in zip(columns.total, covered, columns.good, strict=True)
        ]
    numbers, good, least, most, totals = columns
    rows = zip(numbers, good, totals, least, most, covered, integrals, strict=True)
    return RolledUp(usual_ms, list(map(Bucket._make, rows)))


def _rounded(total: int, count: int) -> int:
    """The mean to the nearest step, halves upward."""
    return (2 * total + count) // (2 * count)


def _put_wide(body: bytearray, numbers: Sequence[int]) -> None:
    """A column whose numbers may be too wide for one: in two halves then."""
    wide = max(map(abs, numbers)) >= 1 << 60
    body.append(wide)
    if wide:
        put_column(body, [number >> 40 for number in numbers])
        numbers = [number & (1 << 40) - 1 for number in numbers]
    put_column(body, numbers)


def _take_wide(row: bytes, place: int, count: int) -> tuple[Sequence[int], int]:
    if not row[place]:
        return take_column(row, place + 1, count)
    high, place = take_column(row, place + 1, count)
    low, place = take_column(row, place, count)
    return [a << 40 | b for a, b in zip(high, low, strict=True)], place
