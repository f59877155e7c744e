"""Reads minutes and hours back, and draws curves of some hundred points from whatever is quick enough.

Hours past ten days, minutes from six hours on, raw readings below: so a year of one channel is read
from some forty rows that lie together.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

from daemon.record.catalogue import ChannelEntry
from daemon.record.chunks import (
    BLOCK_H,
    EPOCH_H,
    HOUR_MS,
    HOURS,
    MINUTES,
    ChunkKey,
    DamagedChunk,
    first_key,
    hour_key,
    key_of_hours,
)
from daemon.record.contents import Rollup, SeriesPoint
from daemon.record.rollups import MINUTE_MS, Bucket, roll_up, take_columns, take_rollups
from daemon.record.sealing import INTEGRATED_UNITS
from shared.quantities import QUANTITIES

Ask = Callable[..., list[Any]]
Place = tuple[int, int]  # boot, ms since its start
Dated = Callable[[int, float], float | None]  # boot, seconds since boot -> seconds since 1970

SPANS_MS = {"minute": MINUTE_MS, "hour": HOUR_MS}
RAW_MOST_S = 6 * 3600.0
MINUTES_MOST_S = 10 * 86_400.0
KEYS_A_QUESTION = 400

_SERIES_MASK = (1 << 21) - 1


class Chunk(NamedTuple):
    """A row of minutes or hours."""

    table: str
    key: ChunkKey
    row: bytes


def step_for(span_s: float) -> str:
    """Say what a curve over a span is drawn from."""
    return "raw" if span_s <= RAW_MOST_S else "minute" if span_s <= MINUTES_MOST_S else "hour"


def hours_in(chunk: Chunk) -> int:
    """How many hours a row may reach from its start."""
    if chunk.table == "piece":
        return 1
    return EPOCH_H if chunk.table == "hour" else BLOCK_H


def chunks(ask: Ask, channel: int, step: str, since: Place, until: Place) -> Iterator[Chunk]:
    """Give the rows of one channel that touch a range, oldest first."""
    found = _hours(ask, channel, since, until) if step == "hour" else _minutes(ask, channel, since, until)
    yield from sorted(found, key=_start_of)


def rollups(
    ask: Ask, entry: ChannelEntry, step: str, since: Place, until: Place, damaged: set[tuple[str, int]]
) -> list[tuple[int, Bucket]]:
    """Give boot and bucket of each minute or hour that begins in a range, oldest first, each once."""
    found: dict[tuple[int, int], Bucket] = {}
    span_ms = SPANS_MS[step]
    for chunk in chunks(ask, entry.number, step, since, until):
        try:
            buckets = take_rollups(chunk.key, chunk.row).buckets
        except DamagedChunk:
            damaged.add((chunk.table, chunk.key.packed()))
            continue
        boot = chunk.key.boot
        for bucket in buckets:
            if since <= (boot, bucket.number * span_ms) < until:
                earlier = found.get((boot, bucket.number))
                found[boot, bucket.number] = bucket if earlier is None else earlier.with_(bucket)
    return [(boot, found[boot, number]) for boot, number in sorted(found)]


def rolled_readings(
    placed: Iterable[tuple[int, float, float]], entry: ChannelEntry, span_ms: int
) -> Iterator[tuple[int, Bucket]]:
    """Roll up readings that are not sealed yet: boot, seconds, value."""
    times: dict[int, list[int]] = {}
    values: dict[int, list[int]] = {}
    for boot, at_s, value in placed:
        times.setdefault(boot, []).append(round(at_s * 1000.0))
        values.setdefault(boot, []).append(round(value * entry.per_unit))
    for boot, of_boot in times.items():
        for bucket in roll_up(of_boot, values[boot], span_ms).buckets:
            yield boot, bucket


def as_rollup(boot: int, bucket: Bucket, span_ms: int, entry: ChannelEntry) -> Rollup:
    """Give a bucket in the quantity's unit."""
    per_unit = entry.per_unit
    known = QUANTITIES.get(entry.quantity)
    integrated = known is not None and known.unit in INTEGRATED_UNITS
    return Rollup(
        boot,
        bucket.number * span_ms / 1000.0,
        span_ms / 1000.0,
        bucket.good,
        bucket.least / per_unit,
        bucket.most / per_unit,
        bucket.total / bucket.good / per_unit,
        bucket.integral / 1000.0 / per_unit if integrated else None,
        bucket.covered_ms / 1000.0,
    )


class Curve:
    """Sums values up in stretches of equal length; in the calendar where a boot is placed in it.

    Args:
        point_s: length of a stretch.
        start_utc_s: where the first begins, None when the range has no date.
        dated: places a time of a boot in the calendar.
    """

    def __init__(self, point_s: float, start_utc_s: float | None, dated: Dated) -> None:
        self._point_ms = max(1.0, point_s * 1000.0)
        self._start_ms = 0.0 if start_utc_s is None else start_utc_s * 1000.0
        self._dated = dated
        self._points: dict[tuple[int, int], SeriesPoint] = {}

    def add_chunk(self, chunk: Chunk, span_ms: int, per_unit: float, since: Place, until: Place) -> None:
        """Add a row of minutes or hours. Raises: DamagedChunk."""
        numbers, good, least, most, total = take_columns(chunk.key, chunk.row)
        boot = chunk.key.boot
        begin, end = 0, len(numbers)
        if boot == since[0]:
            begin = bisect_left(numbers, -(-since[1] // span_ms))
        if boot == until[0]:
            end = bisect_left(numbers, -(-until[1] // span_ms))
        if begin >= end:
            return
        offset_ms, placed = self._offset_ms(boot, numbers[begin] * span_ms)
        while begin < end:
            at_ms = numbers[begin] * span_ms
            place = int((at_ms + offset_ms) // self._point_ms)
            first_behind = ((place + 1) * self._point_ms - offset_ms) / span_ms
            stop = min(end, max(begin + 1, bisect_left(numbers, first_behind, begin)))
            part = slice(begin, stop)
            count = sum(good[part])
            self._add(boot, at_ms, place, placed, count, min(least[part]), max(most[part]), sum(total[part]), per_unit)
            begin = stop

    def add_values(self, boot: int, times_ms: Sequence[int], values: Sequence[float]) -> None:
        """Add raw values of one boot, oldest first."""
        offset_ms, placed = self._offset_ms(boot, times_ms[0])
        begin = 0
        while begin < len(times_ms):
            place = int((times_ms[begin] + offset_ms) // self._point_ms)
            behind_ms = (place + 1) * self._point_ms - offset_ms
            stop = max(begin + 1, bisect_left(times_ms, behind_ms, begin))
            part = values[begin:stop]
            self._add(boot, times_ms[begin], place, placed, len(part), min(part), max(part), sum(part), 1.0)
            begin = stop

    def points(self) -> list[SeriesPoint]:
        """What has come together, oldest first."""
        return sorted(self._points.values(), key=_at)

    def _offset_ms(self, boot: int, at_ms: int) -> tuple[float, bool]:
        utc_s = self._dated(boot, at_ms / 1000.0)
        return (0.0, False) if utc_s is None else (utc_s * 1000.0 - at_ms - self._start_ms, True)

    def _add(
        self,
        boot: int,
        at_ms: int,
        place: int,
        placed: bool,
        good: int,
        least: float,
        most: float,
        total: float,
        per_unit: float,
    ) -> None:
        key = (0 if placed else boot, place)
        least, most, mean = least / per_unit, most / per_unit, total / good / per_unit
        known = self._points.get(key)
        if known is None:
            at_s = at_ms / 1000.0
            self._points[key] = SeriesPoint(boot, at_s, self._dated(boot, at_s), good, least, most, mean)
            return
        both = known.good + good
        mean = (known.mean * known.good + mean * good) / both
        self._points[key] = known._replace(
            good=both, least=min(known.least, least), most=max(known.most, most), mean=mean
        )


def _at(point: SeriesPoint) -> tuple[int, float]:
    return point.boot, point.at_s


_start_of = itemgetter(1)


def _hours(ask: Ask, channel: int, since: Place, until: Place) -> Iterator[Chunk]:
    first = ChunkKey(since[0], since[1] // HOUR_MS // EPOCH_H * EPOCH_H, HOURS, channel)
    last = ChunkKey(until[0], min(until[1] // HOUR_MS, (1 << 19) - 1), HOURS, channel)
    rows = ask(
        "SELECT 'hour', k, row FROM hour WHERE k >= ? AND k <= ?"
        f" UNION ALL SELECT 'piece', k, row FROM piece WHERE k >= ? AND k < ? AND k & {_SERIES_MASK} = ?",
        hour_key(first),
        hour_key(last),
        *_range_of_pieces(since, until),
        channel << 2 | HOURS,
    )
    for table, key, row in rows:
        yield Chunk(table, key_of_hours(key) if table == "hour" else ChunkKey.of(key), row)


def _minutes(ask: Ask, channel: int, since: Place, until: Place) -> Iterator[Chunk]:
    keys: list[int] = []
    for boot in range(since[0], until[0] + 1):
        rows = ask("SELECT k FROM minute WHERE k >= ? AND k < ? ORDER BY k DESC LIMIT 1", *_whole(boot))
        if not rows:
            continue
        first_h = since[1] // HOUR_MS // BLOCK_H * BLOCK_H if boot == since[0] else 0
        last_h = ChunkKey.of(rows[0][0]).start_h
        if boot == until[0]:
            last_h = min(last_h, until[1] // HOUR_MS)
        starts = range(first_h, last_h + 1, BLOCK_H)
        keys += [ChunkKey(boot, start_h, MINUTES, channel).packed() for start_h in starts]
    pieces = (
        f"SELECT 'piece', k, row FROM piece WHERE k >= ? AND k < ? AND k & {_SERIES_MASK} = ?",
        (*_range_of_pieces(since, until), channel << 2 | MINUTES),
    )
    # The newest keys last and together with the pieces: what is packed in between is then in either answer.
    for begin in range(0, max(1, len(keys)), KEYS_A_QUESTION):
        some = ",".join(map(str, keys[begin : begin + KEYS_A_QUESTION]))
        question = f"SELECT 'minute', k, row FROM minute WHERE k IN ({some})"
        values: tuple[int, ...] = ()
        if begin + KEYS_A_QUESTION >= len(keys):
            question, values = f"{question} UNION ALL {pieces[0]}", pieces[1]
        for table, key, row in ask(question, *values):
            yield Chunk(table, ChunkKey.of(key), row)


def _whole(boot: int) -> tuple[int, int]:
    return first_key(boot, 0), first_key(boot + 1, 0)


def _range_of_pieces(since: Place, until: Place) -> tuple[int, int]:
    return first_key(since[0], since[1] // HOUR_MS), first_key(until[0], until[1] // HOUR_MS + 1)
