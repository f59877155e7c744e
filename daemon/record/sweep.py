"""Looks over every row of a record that has a checksum, and over what must be there beside it."""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from daemon.errors import StoreDamaged
from daemon.record.chunks import (
    BOOT_SHIFT,
    HOURS,
    MINUTES,
    POLLS,
    START_SHIFT,
    VALUES,
    ChunkKey,
    DamagedChunk,
    channels_of,
    check_chunk,
    count_of,
    first_key,
    take_polls,
)
from daemon.record.damage import SWEPT_TABLES, chunk_key, is_damaged
from daemon.record.packing import DamagedRow, check_row
from daemon.record.rollups import take_rollups

ROWS_A_QUESTION = 256
ROWS_AT_ONCE = 8
UNREAD_MOST = 50

Ask = Callable[..., list[Any]]


@dataclass(slots=True)
class Swept:
    """What a sweep has found.

    Attributes:
        rows: how many were looked at.
        damaged: table and key of each that does not fit its checksum, or counts wrong inside.
        lost: table and key of chunks whose instrument's polls say they must be there, and that are not.
        orphans: table and key of chunks of values whose polls are not there.
        aside: how many rows were set aside before.
        unread: table and key from which on some rows can't be read, because of a page.
    """

    rows: int = 0
    damaged: list[tuple[str, int]] = field(default_factory=list)
    lost: list[tuple[str, ChunkKey]] = field(default_factory=list)
    orphans: list[tuple[str, ChunkKey]] = field(default_factory=list)
    aside: int = 0
    unread: list[tuple[str, int]] = field(default_factory=list)

    @property
    def is_whole(self) -> bool:
        """Whether nothing is wrong."""
        return not (self.damaged or self.lost or self.orphans or self.unread)

    @property
    def bad(self) -> list[tuple[str, int]]:
        """Table and key of everything that is wrong."""
        return [*self.damaged, *((table, key.packed()) for table, key in (*self.lost, *self.orphans))]


def sweep(ask: Ask, progress: Callable[[int, int], None] = lambda done, of: None) -> Swept:
    """Compare every row with its checksum, and the chunks with what their polls say there must be.

    Args:
        ask: asks the record one question and gives all rows.
        progress: told the rows looked at so far and how many there are.
    """
    swept = Swept()
    total = sum(_count(ask, table) for table in SWEPT_TABLES)
    swept.aside = _count(ask, "damaged")
    for table in SWEPT_TABLES:
        looks = _Looks(ask, table, swept)
        first = -(1 << 63)
        while True:
            try:
                rows = ask(f"SELECT k, row FROM {table} WHERE k >= ? ORDER BY k LIMIT ?", first, ROWS_A_QUESTION)
                for key, row in rows:
                    looks.take(key, row)
                behind = rows[-1][0] + 1 if len(rows) == ROWS_A_QUESTION else None
                looks.settle(None if behind is None else ChunkKey.of(behind).start_h)
            except StoreDamaged:
                swept.unread.append((table, first))
                behind = past_pages(table, first) if len(swept.unread) < UNREAD_MOST else None
                looks = _Looks(ask, table, swept)
            progress(swept.rows, max(total, swept.rows))
            if behind is None:
                break
            first = behind
    return swept


def _count(ask: Ask, table: str) -> int:
    """How many rows a table has; 0 where that can't be read."""
    with suppress(StoreDamaged):
        return int(ask(f"SELECT count(*) FROM {table}")[0][0])
    return 0


def past_pages(table: str, key: int) -> int:
    """Where to go on behind a page that can't be read: eight hours of a boot later, or at the next channel."""
    return max(key, 0) + (1 << 42 if table == "hour" else 8 << START_SHIFT)


def look_over(ask: Ask, table: str, first: int) -> tuple[Swept, int | None]:
    """Do the same for the few rows at or after a key that belong together: of one instrument's hours, mostly.

    Returns: what was found, and the key to go on with; None at the end of the table.
    """
    swept = Swept()
    rows = ask(f"SELECT k FROM {table} WHERE k >= ? ORDER BY k LIMIT 1", first)
    if not rows:
        return swept, None
    if table in ("tail", "hour"):
        rows = ask(f"SELECT k, row FROM {table} WHERE k >= ? ORDER BY k LIMIT ?", first, ROWS_AT_ONCE)
        behind = rows[-1][0] + 1
    else:
        key = ChunkKey.of(rows[0][0])
        behind = first_key(key.boot, key.start_h + 1)
        rows = ask(f"SELECT k, row FROM {table} WHERE k >= ? AND k < ?", first_key(key.boot, key.start_h), behind)
    looks = _Looks(ask, table, swept)
    for key_, row in rows:
        looks.take(key_, row)
    looks.settle(None)
    return swept, behind


class _Looks:
    """Looks at the rows of one table, in the order of their keys."""

    def __init__(self, ask: Ask, table: str, swept: Swept) -> None:
        self._ask, self._table, self._swept = ask, table, swept
        self._expected: dict[ChunkKey, int] = {}
        self._found: dict[ChunkKey, int] = {}

    def take(self, key: int, row: bytes) -> None:
        """Look at a row."""
        self._swept.rows += 1
        try:
            self._look(key, row)
        except (DamagedRow, DamagedChunk, ValueError, TypeError, OverflowError):
            self._swept.damaged.append((self._table, key))

    def _look(self, key: int, row: bytes) -> None:
        if self._table == "tail":
            check_row(key, row)
            return
        chunk = chunk_key(self._table, key)
        if chunk.kind in (MINUTES, HOURS):
            take_rollups(chunk, row)
            return
        check_chunk(key, row)
        self._found[chunk] = count_of(row)
        if chunk.kind == POLLS:
            for channel, count in channels_of(chunk, row).items():
                self._expected[chunk._replace(kind=VALUES, number=channel)] = count

    def settle(self, going_on_h: int | None) -> None:
        """Compare what must be there with what is, but for the hour that is still being read.

        What seems to be missing is looked up again: a service may have moved its hour on meanwhile.
        """
        damaged, swept = {key for _, key in self._swept.damaged}, self._swept
        for key in [key for key in self._expected if key.start_h != going_on_h]:
            count = self._expected.pop(key)
            if key not in self._found and key.packed() not in damaged:
                if is_damaged(self._ask, self._table, key.packed()):
                    swept.lost.append((self._table, key))
            elif key in self._found and self._found[key] != count:
                swept.damaged.append((self._table, key.packed()))
            self._found.pop(key, None)
        for key in [key for key in self._found if key.start_h != going_on_h]:
            if key.kind == VALUES and is_damaged(self._ask, self._table, key.packed()):
                swept.orphans.append((self._table, key))
            del self._found[key]


def newest_sealed_ms(ask: Ask, boot: int) -> int:
    """The time of the newest sealed poll of a boot, ms since its start; 0 without any."""
    for table in ("piece", "block"):
        question = f"SELECT k FROM {table} WHERE k >= ? AND k < ? ORDER BY k DESC LIMIT 1"
        rows = ask(question, first_key(boot, 0), first_key(boot + 1, 0))
        if not rows:
            continue
        key = ChunkKey.of(rows[0][0])
        first, end = first_key(boot, key.start_h), first_key(boot, key.start_h + 1)
        newest_ms = 0
        for packed, row in ask(f"SELECT k, row FROM {table} WHERE k >= ? AND k < ? AND k & 3 = 3", first, end):
            try:
                newest_ms = max(newest_ms, *take_polls(ChunkKey.of(packed), row).times_ms)
            except DamagedChunk:
                newest_ms = max(newest_ms, key.start_ms)
        return newest_ms
    return 0


def newest_ms(ask: Ask, boot: int) -> int:
    """The time of the newest commit or sealed poll of a boot, ms since its start; 0 without any."""
    first, end = boot << BOOT_SHIFT, (boot + 1) << BOOT_SHIFT
    (key,) = ask("SELECT max(k) FROM tail WHERE k >= ? AND k < ?", first, end)[0]
    return newest_sealed_ms(ask, boot) if key is None else int(key) - first
