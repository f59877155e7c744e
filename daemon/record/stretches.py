"""Reads raw readings back, six hours at a time: sealed blocks, hours sealed but not packed, and the tail.

What is asked of one stretch is asked in one question, so that it is seen at one instant: sealing and
packing move readings from one table to the next, and between two questions they could slip past.
"""

import heapq
from collections.abc import Callable, Collection, Iterator
from contextlib import suppress
from functools import partial
from itertools import groupby
from operator import attrgetter
from typing import Any

from daemon.errors import StoreDamaged
from daemon.record.catalogue import Catalogue, UnknownNumber
from daemon.record.chunks import (
    BLOCK_H,
    HOUR_MS,
    POLLS,
    START_MOST,
    VALUES,
    ChunkKey,
    DamagedChunk,
    PollBlock,
    first_key,
    joined,
    readings_of,
    take_polls,
)
from daemon.record.packing import BOOT_SHIFT, MS_MOST, DamagedRow, oldest_ms, row_key, split_key
from daemon.record.sealing import fill_columns
from daemon.record.sweep import newest_sealed_ms
from shared.readings import Reading

# A reading that reached its commit later than this may come out of its order.
LATE_MS = 120_000
PAGES_MOST = 40  # stretches that are left out because of them before reading is given up
TAIL_ROWS = 64  # asked for at once; an hour a row at most, so well under a second
SAME_TIME_MS = 1_000
MINUTE_MS = 60_000

Ask = Callable[..., list[Any]]
Place = tuple[int, int]  # boot, ms since its start
_Row = tuple[int, bytes]

_NEXT = (
    "SELECT * FROM (SELECT 'block', k, NULL FROM block WHERE k >= ?1 ORDER BY k LIMIT 1)"
    " UNION ALL SELECT * FROM (SELECT 'piece', k, NULL FROM piece WHERE k >= ?2 ORDER BY k LIMIT 1)"
    " UNION ALL SELECT * FROM (SELECT 'tail', k, row FROM tail WHERE k >= ?3 ORDER BY k LIMIT 1)"
)
_STRETCH = (
    "SELECT 'block', k, row FROM block WHERE k >= ?1 AND k < ?2 {wanted}"
    " UNION ALL SELECT 'piece', k, row FROM piece WHERE k >= ?3 AND k < ?4 AND k & 3 IN (0, 3) {wanted}"
    " UNION ALL SELECT 'tail', k, row FROM tail WHERE k >= ?5 AND k < ?6"
    " UNION ALL SELECT * FROM (SELECT 'tail', k, row FROM tail WHERE k >= ?6 AND k < ?7 ORDER BY k LIMIT 4)"
)
_at_s = attrgetter("at_s")


class Wanted:
    """Which chunks hold what is asked for; everything when nothing is said.

    Args:
        catalogue: the record's names.
        instrument, quantity: only these.
    """

    def __init__(self, catalogue: Catalogue, instrument: str | None, quantity: str | None) -> None:
        self.instrument, self.quantity = instrument, quantity
        self.everything = instrument is None and quantity is None
        entries = [
            entry
            for entry in catalogue.channels
            if instrument in (None, entry.instrument) and quantity in (None, entry.quantity)
        ]
        self.channels: Collection[int] = frozenset(entry.number for entry in entries)
        names = {entry.instrument for entry in entries} if quantity is not None else {instrument or ""}
        numbers = catalogue.instruments
        self.instruments: Collection[int] = frozenset(numbers[name] for name in names if name in numbers)

    def condition(self) -> str:
        """The part of a question that picks the chunks; numbers only."""
        if self.everything:
            return ""
        ends = [number << 2 | VALUES for number in self.channels] + [n << 2 | POLLS for n in self.instruments]
        return f"AND k & {(1 << 21) - 1} IN ({', '.join(map(str, sorted(ends)))})"


class Stretches:
    """Reads one record; `damaged` and `damaged_chunks` tell what was left out."""

    def __init__(self, ask: Ask, names: Callable[[bool], Catalogue], unpack: Callable[..., list[Reading]]) -> None:
        """`names` gives the catalogue, anew if asked; `unpack` the readings of a row of the tail."""
        self.damaged_chunks: set[tuple[str, int]] = set()
        self.damaged_pages: set[Place] = set()  # where six hours begin in which a page can't be read
        self._ask = ask
        self._names = names
        self._unpack = unpack

    def readings(
        self, instrument: str | None, quantity: str | None, since: Place, until: Place | None, *, tail: bool = True
    ) -> Iterator[tuple[int, Reading]]:
        """Give boot and reading, oldest first; without the tail only what is sealed."""
        wanted = Wanted(self._names(not (instrument is None and quantity is None)), instrument, quantity)
        place = since
        seen: dict[int, int] = {}  # rows of the tail that are behind a stretch but were looked into: up to when
        while True:
            try:
                found = self._next(place)
            except StoreDamaged as why:
                place = self._past_pages(*place, why)
                continue
            if found is None or (until is not None and found >= until):
                return
            boot, start_ms = found
            end_ms = start_ms + BLOCK_H * HOUR_MS
            stop_ms = end_ms if until is None or until[0] != boot else min(end_ms, until[1])
            since_ms = since[1] if boot == since[0] else 0
            try:
                readings = self._stretch(boot, start_ms, since_ms, stop_ms, wanted, seen if tail else None)
            except StoreDamaged as why:
                place = self._past_pages(boot, start_ms, why)
                continue
            for reading in readings:
                yield boot, reading
            place = (boot, end_ms) if end_ms < START_MOST * HOUR_MS else (boot + 1, 0)

    def _past_pages(self, boot: int, ms: int, why: StoreDamaged) -> Place:
        """Leave six hours out in which something can't be read, and give where to go on.

        Raises: StoreDamaged: there is too much of it.
        """
        if len(self.damaged_pages) >= PAGES_MOST:
            raise why
        start_ms = ms // HOUR_MS // BLOCK_H * BLOCK_H * HOUR_MS
        self.damaged_pages.add((boot, start_ms))
        return boot, start_ms + BLOCK_H * HOUR_MS

    def _next(self, place: Place) -> Place | None:
        """Where the next stretch with anything in it begins, at or before a place and after."""
        boot, ms = place
        start_h = ms // HOUR_MS // BLOCK_H * BLOCK_H
        block = first_key(boot, start_h)
        found: list[Place] = []
        for table, key, row in self._ask(_NEXT, block, block, row_key(boot, min(ms, START_MOST * HOUR_MS))):
            if table != "tail":
                chunk = ChunkKey.of(key)
                found.append((chunk.boot, chunk.start_h // BLOCK_H * BLOCK_H * HOUR_MS))
                continue
            of_boot, key_ms = split_key(key)
            with suppress(DamagedRow):
                key_ms = min(key_ms, max(0, oldest_ms(key, row)))
            stretch_ms = key_ms // HOUR_MS // BLOCK_H * BLOCK_H * HOUR_MS
            found.append(max((of_boot, stretch_ms), (boot, start_h * HOUR_MS)))
        return min(found, default=None)

    def _stretch(
        self, boot: int, start_ms: int, since_ms: int, stop_ms: int, wanted: Wanted, seen: dict[int, int] | None
    ) -> Iterator[Reading]:
        first_ms = max(start_ms, since_ms)
        start_h = start_ms // HOUR_MS
        stop_h = min(start_h + BLOCK_H, -(-stop_ms // HOUR_MS))
        rows = self._ask(
            _STRETCH.format(wanted=wanted.condition()),
            first_key(boot, start_h),
            first_key(boot, start_h + BLOCK_H),
            first_key(boot, first_ms // HOUR_MS),
            first_key(boot, stop_h),
            row_key(boot, first_ms),
            row_key(boot, stop_ms + LATE_MS),
            row_key(boot + 1, 0),
        )
        tables: dict[str, list[_Row]] = {"block": [], "piece": [], "tail": []}
        for table, key, row in rows:
            tables[table].append((key, row))
        of_tail = sorted(tables.pop("tail"))
        tail = iter(()) if seen is None else self._tail(of_tail, wanted, since_ms, stop_ms, seen)
        blocks = self._blocks(tables, wanted)
        streams = [self._of_block(blocks[number], wanted, first_ms, stop_ms) for number in sorted(blocks)]
        return heapq.merge(*streams, tail, key=_at_s)

    def _tail(
        self, rows: list[_Row], wanted: Wanted, since_ms: int, stop_ms: int, seen: dict[int, int]
    ) -> Iterator[Reading]:
        """The readings of rows up to a time; of a row an earlier stretch has looked into, what it left."""
        for key, row in rows:
            first_ms = max(since_ms, seen.pop(key, 0))
            for reading in self._unpack(key, row, wanted.instrument, wanted.quantity):
                if first_ms <= round(reading.at_s * 1000.0) < stop_ms:
                    yield reading
            if split_key(key)[1] >= stop_ms:
                seen[key] = stop_ms

    def _of_block(self, block: PollBlock, wanted: Wanted, first_ms: int, stop_ms: int) -> Iterator[Reading]:
        try:
            yield from readings_of(block, self._names(False), wanted.quantity, first_ms, stop_ms)
        except UnknownNumber:  # looked up before anything is given, so nothing comes twice
            try:
                yield from readings_of(block, self._names(True), wanted.quantity, first_ms, stop_ms)
            except UnknownNumber:
                self.damaged_chunks.add(("names", block.instrument))

    def _leave_out(self, table: str, key: int, row: bytes) -> None:
        self.damaged_chunks.add((table, key))

    def _blocks(self, tables: dict[str, list[_Row]], wanted: Wanted) -> dict[int, PollBlock]:
        found: dict[int, list[PollBlock]] = {}
        for table, rows in tables.items():
            chunks = {ChunkKey.of(key): row for key, row in rows}
            for key in [key for key in chunks if key.kind == POLLS]:
                try:
                    block = take_polls(key, chunks.pop(key))
                except DamagedChunk:
                    self.damaged_chunks.add((table, key.packed()))
                    continue
                if wanted.quantity is not None:
                    block.shapes = [
                        shape._replace(good=tuple(one for one in shape.good if one in wanted.channels))
                        for shape in block.shapes
                    ]
                fill_columns(block, key, chunks, partial(self._leave_out, table))
                found.setdefault(key.number, []).append(block)
        return {number: joined(sorted(blocks, key=lambda block: block.times_ms[0])) for number, blocks in found.items()}


class Commits:
    """One boot's readings in the order in which they were committed, for a copy that follows."""

    def __init__(self, ask: Ask, stretches: Stretches, unpack: Callable[..., list[Reading]], boot: int) -> None:
        self._ask = ask
        self._stretches = stretches
        self._unpack = unpack
        self._boot = boot

    def after(self, after_ms: int) -> Iterator[tuple[int, list[Reading]]]:
        """Give number and readings of each commit after one; sealed ones by the minute."""
        while after_ms < MS_MOST:
            frontier = self._frontier()
            for number, readings in self._sealed(after_ms, frontier):
                yield number, readings
                after_ms = number
            # For -1 the last place of the boot before, which is never used.
            first, end = (self._boot << BOOT_SHIFT) + after_ms + 1, (self._boot + 1) << BOOT_SHIFT
            rows = self._ask("SELECT k, row FROM tail WHERE k >= ? AND k < ? ORDER BY k LIMIT ?", first, end, TAIL_ROWS)
            if self._frontier() != frontier:
                continue  # something was sealed meanwhile: some of it may be in neither answer
            for key, row in rows:
                after_ms = split_key(key)[1]
                yield after_ms, self._unpack(key, row, None, None)
            if len(rows) < TAIL_ROWS:
                return

    def count(self, after_ms: int, most: int) -> int:
        """Tell how many there are after one, no further than `most`."""
        question = "SELECT count(*) FROM (SELECT 1 FROM tail WHERE k > ? AND k < ? LIMIT ?)"
        first, end = (self._boot << BOOT_SHIFT) + after_ms, (self._boot + 1) << BOOT_SHIFT
        (count,) = self._ask(question, first, end, most)[0]
        sealed_ms = newest_sealed_ms(self._ask, self._boot)
        minutes = max(0, -((after_ms - sealed_ms) // MINUTE_MS)) if sealed_ms else 0
        return min(most, int(count) + minutes)

    def _frontier(self) -> tuple[object, ...]:
        """What changes whenever an hour of the boot is sealed or a block packed."""
        first, end = first_key(self._boot, 0), first_key(self._boot + 1, 0)
        rows = self._ask(
            "SELECT max(k) FROM piece WHERE k >= ?1 AND k < ?2"
            " UNION ALL SELECT max(k) FROM block WHERE k >= ?1 AND k < ?2",
            first,
            end,
        )
        return tuple(row[0] for row in rows)

    def _sealed(self, after_ms: int, frontier: tuple[object, ...]) -> Iterator[tuple[int, list[Reading]]]:
        if not any(frontier):
            return
        # The number of a sealed minute ends one; any other is a commit's, whose newest may be told apart from
        # the next commit's oldest only by the order they came in.
        whole = (after_ms + 1) % MINUTE_MS == 0
        first_ms = max(0, after_ms + 1 if whole else after_ms - SAME_TIME_MS)
        found = self._stretches.readings(None, None, (self._boot, first_ms), (self._boot + 1, 0), tail=False)
        for minute, placed in groupby(found, key=_minute):
            number = (minute + 1) * MINUTE_MS - 1
            yield max(number, after_ms), [reading for _, reading in placed]


def _minute(placed: tuple[int, Reading]) -> int:
    return round(placed[1].at_s * 1000.0) // MINUTE_MS
