"""Seals what has been committed: rows of the tail into chunks of an hour, those into blocks of six.

All work is cut into slices short enough to stand between two commits on a slow board; only the last
slice of an hour or a block writes, everything in one transaction: chunks and rollups in, rows out.
Whatever ends the process before leaves the record as it was, and the work begins anew.

Nothing is kept in mind between two hours that is not in the record too, but where each grid of polls
was last: without it a grid begins anew, which costs bytes and nothing else.
"""

import sqlite3
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field
from typing import Any

from daemon.record.catalogue import Catalogue, UnknownNumber
from daemon.record.chunks import (
    BLOCK_H,
    EPOCH_H,
    HOUR_MS,
    HOURS,
    MINUTES,
    POLLS,
    START_MOST,
    VALUES,
    ChunkKey,
    DamagedChunk,
    Gathering,
    PollBlock,
    are_end_to_end,
    first_key,
    hour_key,
    joined,
    pack_polls,
    pack_values,
    polls_in_slices,
    take_polls,
    take_values,
    values_in_slices,
)
from daemon.record.damage import damage_of, put_aside
from daemon.record.packing import (
    DamagedRow,
    Group,
    oldest_ms,
    pack_groups,
    row_key,
    split_key,
    take_groups,
)
from daemon.record.poll_times import on_grid, usual_gap_ms
from daemon.record.rollups import (
    MINUTE_MS,
    Bucket,
    RolledUp,
    hours_of,
    pack_rollups,
    roll_up,
    summed,
    take_rollups,
)
from shared.quantities import QUANTITIES

# An hour is sealed this long after its end, so that a commit that was late is in.
LATE_MS = 60_000
ROWS_A_SLICE = 32
INTEGRATED_UNITS = ("A", "W")

_Rows = list[tuple[int, bytes]]
_Chunks = dict[str, dict[ChunkKey, bytes]]  # by table
_Slices = Iterator[None]


@dataclass(slots=True)
class Sealed:
    """What has been done since the record was opened.

    Attributes:
        hours, blocks: sealed and packed.
        damaged: rows that did not fit their checksum when they were met, and were set aside.
    """

    hours: int = 0
    blocks: int = 0
    damaged: int = 0


@dataclass(slots=True)
class _Change:
    """What one transaction is to do."""

    into: dict[str, _Rows] = field(default_factory=dict)
    shortened: _Rows = field(default_factory=list)
    out_of: dict[str, list[int]] = field(default_factory=dict)
    damaged: list[tuple[str, int, bytes]] = field(default_factory=list)

    def damage_in(self, table: str) -> Callable[[int, bytes], None]:
        """Give what to call with key and bytes of what is damaged in a table."""
        return lambda key, row: self.damaged.append((table, key, row))

    def put(self, table: str, key: ChunkKey, row: bytes) -> None:
        self.into.setdefault(table, []).append((key.packed(), row))


class Sealer:
    """Works on the writer's connection, one slice at a time."""

    def __init__(
        self,
        db: sqlite3.Connection,
        transaction: Callable[[], AbstractContextManager[None]],
        catalogue: Callable[[], Catalogue],
    ) -> None:
        self.sealed = Sealed()
        self._db = db
        self._transaction = transaction
        self._catalogue = catalogue
        self._work: _Slices | None = None
        self._kept_ms: dict[int, tuple[int, int]] = {}  # instrument -> boot, newest time as sealed
        self._now = (0, 0)

    def step(self, boot: int, now_ms: int) -> bool:
        """Do one slice of what there is to do; tell whether there is more.

        Args:
            boot: the boot the service runs in.
            now_ms: since its start; what is older than an hour's end and LATE_MS is sealed.
        Raises: sqlite3.Error, StoreError: nothing of the slice was stored.
        """
        self._now = (boot, now_ms)
        if self._work is None:
            self._work = self._next_work(boot, now_ms)
        if self._work is None:
            return False
        try:
            next(self._work)
        except StopIteration:
            self._work = None
        except BaseException:
            self._work = None
            raise
        return True

    def forget(self) -> None:
        """Give up what is half done; it begins anew."""
        self._work = None

    # -- what is to be done --------------------------------------------------------------------

    def _next_work(self, boot: int, now_ms: int) -> _Slices | None:
        """The oldest hour that is over, else the oldest block whose hours are all sealed."""
        unsealed = self._oldest_in_tail()
        if unsealed is not None and _is_over(unsealed[0], unsealed[1] + 1, boot, now_ms):
            return self._seal_hour(*unsealed)
        first = self._db.execute("SELECT k FROM piece ORDER BY k LIMIT 1").fetchone()
        if first is None:
            return None
        key = ChunkKey.of(first[0])
        start_h = key.start_h // BLOCK_H * BLOCK_H
        over = _is_over(key.boot, start_h + BLOCK_H, boot, now_ms)
        if over and (unsealed is None or unsealed >= (key.boot, start_h + BLOCK_H)):
            return self._pack_block(key.boot, start_h)
        return None

    def _oldest_in_tail(self) -> tuple[int, int] | None:
        """Boot and hour of the oldest reading that is not sealed."""
        for key, row in self._db.execute("SELECT k, row FROM tail ORDER BY k LIMIT 1"):
            boot, key_ms = split_key(key)
            try:
                return boot, min(key_ms, max(0, oldest_ms(key, row))) // HOUR_MS
            except DamagedRow:
                return boot, key_ms // HOUR_MS
        return None

    # -- an hour -------------------------------------------------------------------------------

    def _seal_hour(self, boot: int, hour: int) -> _Slices:
        change = _Change()
        polls: dict[tuple[int, int], Gathering] = {}
        for rows in self._rows_of_hour(boot, (hour + 1) * HOUR_MS):
            for key, row in rows:
                self._take_row(key, row, hour, polls, change)
            yield
        kept_ms = dict(self._kept_ms)
        for of_hour, instrument in sorted(polls):
            gathering = polls.pop((of_hour, instrument))
            yield from self._seal_polls(boot, of_hour, instrument, gathering, kept_ms, change)
        self._apply(change)
        self._kept_ms = kept_ms
        self.sealed.hours += 1

    def _rows_of_hour(self, boot: int, end_ms: int) -> Iterator[_Rows]:
        """The rows of the tail in which something is older than the end of the hour, a few at a time."""
        first, end, limit = row_key(boot, 0), row_key(boot, end_ms), row_key(boot + 1, 0)
        while True:
            rows: _Rows = self._db.execute(
                "SELECT k, row FROM tail WHERE k >= ? AND k < ? ORDER BY k LIMIT ?", (first, limit, ROWS_A_SLICE)
            ).fetchall()
            wanted = [(key, row) for key, row in rows if key < end or _oldest(key, row) < end_ms]
            if wanted:
                yield wanted
            if len(wanted) < ROWS_A_SLICE:
                return
            first = rows[-1][0] + 1

    def _take_row(
        self, key: int, row: bytes, hour: int, polls: dict[tuple[int, int], Gathering], change: _Change
    ) -> None:
        try:
            groups = take_groups(key, row)
        except DamagedRow:
            change.damaged.append(("tail", key, row))
            return
        later: list[Group] = []
        for group in groups:
            for of_hour, part in _by_hour(group):
                if of_hour > hour:
                    later.append(part)
                else:
                    place = (of_hour, group.instrument)
                    polls.setdefault(place, Gathering(group.instrument)).add(part)
        if later:
            change.shortened.append((key, pack_groups(key, later)))
        else:
            change.out_of.setdefault("tail", []).append(key)

    def _seal_polls(
        self,
        boot: int,
        hour: int,
        instrument: int,
        gathering: Gathering,
        kept_ms: dict[int, tuple[int, int]],
        change: _Change,
    ) -> _Slices:
        """Make the chunks of one instrument's hour, with what of that hour was sealed before, if anything."""
        block = gathering.block()
        of_boot, last_ms = kept_ms.get(instrument, (0, 0))
        before_ms = last_ms if of_boot == boot and last_ms < block.times_ms[0] else None
        block.times_ms = on_grid(block.times_ms, before_ms=before_ms, end_ms=(hour + 1) * HOUR_MS)
        kept_ms[instrument] = (boot, block.times_ms[-1])
        key = ChunkKey(boot, hour, POLLS, instrument)
        if self._db.execute("SELECT 1 FROM piece WHERE k = ?", (key.packed(),)).fetchone():
            first, end = first_key(boot, hour), first_key(boot, hour + 1)
            rows = self._db.execute("SELECT k, row FROM piece WHERE k >= ? AND k < ?", (first, end)).fetchall()
            chunks = {"piece": {ChunkKey.of(packed): row for packed, row in rows}}
            found = self._polls(chunks, instrument, change)
            for table, of_block, earlier in found:
                fill_columns(earlier, of_block, chunks[table], change.damage_in(table))
            block = joined([*(earlier for _, _, earlier in found), block])
        yield
        yield from self._put_block("piece", key, block, change)
        for channel, column in block.columns.items():
            yield
            self._put_rollups(key, channel, block, column, before_ms, change)

    def _put_rollups(
        self,
        polls: ChunkKey,
        channel: int,
        block: PollBlock,
        column: Iterable[int],
        before_ms: int | None,
        change: _Change,
    ) -> None:
        usual_ms = usual_gap_ms(block.times_ms)
        minutes = roll_up(block.times_of(channel), list(column), MINUTE_MS, before_ms=before_ms, usual_ms=usual_ms)
        key = polls._replace(kind=MINUTES, number=channel)
        change.put("piece", key, pack_rollups(key, minutes, integrals=False))
        key = polls._replace(kind=HOURS, number=channel)
        hours = RolledUp(minutes.usual_ms, list(hours_of(minutes.buckets)))
        change.put("piece", key, pack_rollups(key, hours, integrals=self._is_integrated(channel)))

    def _put_block(self, table: str, key: ChunkKey, block: PollBlock, change: _Change) -> _Slices:
        change.put(table, key, pack_polls(key, block))
        for channel, column in block.columns.items():
            yield
            of_channel = key._replace(kind=VALUES, number=channel)
            change.put(table, of_channel, pack_values(of_channel, column))

    def _is_integrated(self, channel: int) -> bool:
        try:
            known = QUANTITIES.get(self._catalogue().channel_entry(channel).quantity)
        except UnknownNumber:
            return False
        return known is not None and known.unit in INTEGRATED_UNITS

    # -- a block -------------------------------------------------------------------------------

    def _pack_block(self, boot: int, start_h: int) -> _Slices:
        """Make one chunk of six, for each instrument, channel and rollup."""
        change = _Change()
        rows = {table: self._rows_from(table, boot, start_h) for table in ("piece", "block", "minute")}
        change.out_of["piece"] = [key for key, _ in rows["piece"]]
        yield
        raw = {table: {ChunkKey.of(packed): row for packed, row in rows[table]} for table in ("block", "piece")}
        # One instrument, one channel after the other: all at once would be megabytes.
        for instrument in sorted({key.number for chunks in raw.values() for key in chunks if key.kind == POLLS}):
            yield from self._pack_polls(ChunkKey(boot, start_h, POLLS, instrument), raw, change)
        for table, chunks in raw.items():  # values whose polls are lost
            change.damaged.extend((table, key.packed(), row) for key, row in chunks.items() if key.kind == VALUES)
        for channel in sorted({key.number for key in raw["piece"] if key.kind in (MINUTES, HOURS)}):
            yield
            key = ChunkKey(boot, start_h, MINUTES, channel)
            minutes = self._rollups({t: rows[t] for t in ("minute", "piece")}, MINUTES, channel, change)
            if minutes:
                change.put("minute", key, pack_rollups(key, _together(minutes), integrals=False))
            hours = self._rollups({"piece": rows["piece"]}, HOURS, channel, change)
            if hours:
                self._add_hours(boot, start_h, channel, hours, change)
        self._apply(change)
        self.sealed.blocks += 1

    def _pack_polls(self, key: ChunkKey, raw: _Chunks, change: _Change) -> _Slices:
        """Make the chunks of one instrument's six hours, if they follow each other a channel at a time."""
        blocks = sorted(self._polls(raw, key.number, change), key=_first_time_of)
        if not are_end_to_end([block for _, _, block in blocks]):
            for table, of_block, block in blocks:
                fill_columns(block, of_block, raw[table], change.damage_in(table))
            yield from self._put_block("block", key, joined([block for _, _, block in blocks]), change)
            return
        for channel in {one: None for _, _, block in blocks for shape in block.shapes for one in shape.good}:
            yield
            column = array("q")
            for table, of_block, block in blocks:
                fill_column(block, of_block, raw[table], channel, change.damage_in(table))
                column.extend(block.columns.pop(channel, ()))
            if column:
                yield
                of_channel = key._replace(kind=VALUES, number=channel)
                change.put("block", of_channel, (yield from values_in_slices(of_channel, column)))
        yield
        if blocks:
            whole = joined([block for _, _, block in blocks])
            yield
            change.put("block", key, (yield from polls_in_slices(key, whole)))

    def _add_hours(self, boot: int, start_h: int, channel: int, chunks: list[RolledUp], change: _Change) -> None:
        key = ChunkKey(boot, start_h // EPOCH_H * EPOCH_H, HOURS, channel)
        rows = self._db.execute("SELECT k, row FROM hour WHERE k = ?", (hour_key(key),)).fetchall()
        earlier = self._rollups({"hour": [(key.packed(), row) for _, row in rows]}, HOURS, channel, change)
        if rows and not earlier:
            earlier = self.hours_by_minutes(key)
        row = pack_rollups(key, _together([*earlier, *chunks]), integrals=self._is_integrated(channel))
        change.into.setdefault("hour", []).append((hour_key(key), row))

    def _rows_from(self, table: str, boot: int, start_h: int) -> _Rows:
        end = first_key(boot, start_h + BLOCK_H)
        question = f"SELECT k, row FROM {table} WHERE k >= ? AND k < ? ORDER BY k"
        return self._db.execute(question, (first_key(boot, start_h), end)).fetchall()

    def _polls(self, chunks: _Chunks, instrument: int, change: _Change) -> list[tuple[str, ChunkKey, PollBlock]]:
        """Take an instrument's polls out of some chunks, without their values; damaged ones are set aside."""
        found: list[tuple[str, ChunkKey, PollBlock]] = []
        for table, of_table in chunks.items():
            for key in [key for key in of_table if key.kind == POLLS and key.number == instrument]:
                row = of_table.pop(key)
                try:
                    found.append((table, key, take_polls(key, row)))
                except DamagedChunk:
                    change.damaged.append((table, key.packed(), row))
        return found

    def _rollups(self, rows: dict[str, _Rows], kind: int, channel: int, change: _Change) -> list[RolledUp]:
        found: list[RolledUp] = []
        for table, of_table in rows.items():
            for packed, row in of_table:
                key = ChunkKey.of(packed)
                if (key.kind, key.number) != (kind, channel):
                    continue
                try:
                    found.append(take_rollups(key, row))
                except DamagedChunk:
                    change.damaged.append((table, hour_key(key) if table == "hour" else packed, row))
        return found

    def hours_by_minutes(self, key: ChunkKey) -> list[RolledUp]:
        """Work the hours of a row that is lost out again, from the minutes that are left; to a minute's step."""
        found: list[RolledUp] = []
        for start_h in range(key.start_h, key.start_h + EPOCH_H, BLOCK_H):
            of_block = ChunkKey(key.boot, start_h, MINUTES, key.number)
            for (row,) in self._ask("SELECT row FROM minute WHERE k = ?", of_block.packed()):
                with suppress(DamagedChunk):
                    minutes = take_rollups(of_block, row)
                    found.append(RolledUp(minutes.usual_ms, list(hours_of(minutes.buckets))))
        return found

    def put_hours(self, key: ChunkKey) -> None:
        """Put hours in the place of a row that was set aside, as far as minutes are left; in a transaction."""
        chunks = self.hours_by_minutes(key)
        if chunks:
            row = pack_rollups(key, _together(chunks), integrals=self._is_integrated(key.number))
            self._db.execute("INSERT INTO hour (k, row) VALUES (?, ?)", (hour_key(key), row))

    # -- writing -------------------------------------------------------------------------------

    def _apply(self, change: _Change) -> None:
        boot, now_ms = self._now
        with self._transaction():
            # Of all of them first: what values were, their polls tell, which may be among the damaged.
            found = [damage_of(self._ask, self._catalogue(), table, key) for table, key, _ in change.damaged]
            for damage, (_, _, row) in zip(found, change.damaged, strict=True):
                put_aside(self._db, damage, row, boot, now_ms)
            for table, keys in change.out_of.items():
                self._db.executemany(f"DELETE FROM {table} WHERE k = ?", [(key,) for key in keys])
            for table, rows in change.into.items():
                rows.sort()
                self._db.executemany(f"INSERT OR REPLACE INTO {table} (k, row) VALUES (?, ?)", rows)
            self._db.executemany("UPDATE tail SET row = ? WHERE k = ?", [(row, key) for key, row in change.shortened])
        self.sealed.damaged += len(change.damaged)

    def _ask(self, question: str, *values: object) -> list[Any]:
        return self._db.execute(question, values).fetchall()


def fill_columns(
    block: PollBlock, polls: ChunkKey, chunks: dict[ChunkKey, bytes], damaged: Callable[[int, bytes], object]
) -> None:
    """Put all channels of a block in; see fill_column."""
    for channel in {one: None for shape in block.shapes for one in shape.good}:
        fill_column(block, polls, chunks, channel, damaged)


def fill_column(
    block: PollBlock,
    polls: ChunkKey,
    chunks: dict[ChunkKey, bytes],
    channel: int,
    damaged: Callable[[int, bytes], object],
) -> None:
    """Put a channel of a block in, taken out of `chunks`; one that is lost or damaged leaves its shapes.

    `damaged` is told key and bytes of what is there and can't be used.
    """
    expected = block.count_of(channel)
    if not expected:
        return
    key = polls._replace(kind=VALUES, number=channel)
    row = chunks.pop(key, None)
    column: Sequence[int] = ()
    if row is not None:
        with suppress(DamagedChunk):
            column = take_values(key, row)
    if len(column) == expected:
        block.columns[channel] = column
        return
    block.shapes = [shape._replace(good=tuple(one for one in shape.good if one != channel)) for shape in block.shapes]
    if row is not None:
        damaged(key.packed(), row)


def _together(chunks: list[RolledUp]) -> RolledUp:
    buckets = sorted((bucket for chunk in chunks for bucket in chunk.buckets), key=_number)
    return RolledUp(max(chunk.usual_ms for chunk in chunks), list(summed(buckets)))


def _number(bucket: Bucket) -> int:
    return bucket.number


def _first_time_of(found: tuple[str, ChunkKey, PollBlock]) -> int:
    return found[2].times_ms[0]


def _is_over(boot: int, end_h: int, now_boot: int, now_ms: int) -> bool:
    return boot < now_boot or (boot == now_boot and now_ms >= end_h * HOUR_MS + LATE_MS)


def _oldest(key: int, row: bytes) -> int:
    """The time of a row's oldest reading; a damaged row counts by its key."""
    try:
        return oldest_ms(key, row)
    except DamagedRow:
        return split_key(key)[1]


def _by_hour(group: Group) -> Iterator[tuple[int, Group]]:
    """A group cut where an hour ends."""
    hours = [min(max(0, time_ms // HOUR_MS), START_MOST) for time_ms in group.times_ms]
    if min(hours) == max(hours):
        yield hours[0], group
        return
    for hour in sorted(set(hours)):
        places = [place for place, of in enumerate(hours) if of == hour]
        yield (
            hour,
            Group(
                group.instrument,
                [group.times_ms[place] for place in places],
                {channel: [column[place] for place in places] for channel, column in group.columns.items()},
                group.suspect,
                group.missing,
            ),
        )
