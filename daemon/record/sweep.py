"""Looks over every row of a record that has a checksum, and over what must be there beside it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from daemon.record.chunks import (
    BOOT_SHIFT,
    HOURS,
    MINUTES,
    POLLS,
    VALUES,
    ChunkKey,
    DamagedChunk,
    channels_of,
    check_chunk,
    count_of,
    first_key,
    take_polls,
)
from daemon.record.packing import DamagedRow, check_row
from daemon.record.rollups import take_rollups
from daemon.record.sealing import SWEPT_TABLES

ROWS_A_QUESTION = 256

Ask = Callable[..., list[Any]]


@dataclass(slots=True)
class Swept:
    """What a sweep has found.

    Attributes:
        rows: how many were looked at.
        damaged: table and key of each that does not fit its checksum, or counts wrong inside.
        lost: the keys of chunks whose instrument's polls say they must be there, and that are not.
        orphans: the keys of chunks of values whose polls are not there.
        aside: how many rows were set aside before.
    """

    rows: int = 0
    damaged: list[tuple[str, int]] = field(default_factory=list)
    lost: list[ChunkKey] = field(default_factory=list)
    orphans: list[ChunkKey] = field(default_factory=list)
    aside: int = 0

    @property
    def is_whole(self) -> bool:
        """Whether nothing is wrong."""
        return not (self.damaged or self.lost or self.orphans)


def sweep(ask: Ask, progress: Callable[[int, int], None] = lambda done, of: None) -> Swept:
    """Compare every row with its checksum, and the chunks with what their polls say there must be.

    Args:
        ask: asks the record one question and gives all rows.
        progress: told the rows looked at so far and how many there are.
    """
    swept = Swept()
    total = sum(ask(f"SELECT count(*) FROM {table}")[0][0] for table in SWEPT_TABLES)
    (swept.aside,) = ask("SELECT count(*) FROM damaged")[0]
    for table in SWEPT_TABLES:
        expected: dict[ChunkKey, int] = {}
        found: dict[ChunkKey, int] = {}
        first = -(1 << 63)
        while True:
            rows = ask(f"SELECT k, row FROM {table} WHERE k >= ? ORDER BY k LIMIT ?", first, ROWS_A_QUESTION)
            for key, row in rows:
                _look(table, key, row, swept, expected, found)
            swept.rows += len(rows)
            progress(swept.rows, max(total, swept.rows))
            if len(rows) < ROWS_A_QUESTION:
                break
            first = rows[-1][0] + 1
            _settle(expected, found, ChunkKey.of(first).start_h, swept)
        _settle(expected, found, None, swept)
    return swept


def _look(
    table: str, key: int, row: bytes, swept: Swept, expected: dict[ChunkKey, int], found: dict[ChunkKey, int]
) -> None:
    try:
        if table == "tail":
            check_row(key, row)
            return
        if table == "hour":
            take_rollups(key_of_hours(key), row)
            return
        chunk = ChunkKey.of(key)
        if chunk.kind in (MINUTES, HOURS):
            take_rollups(chunk, row)
            return
        check_chunk(key, row)
        found[chunk] = count_of(row)
        if chunk.kind == POLLS:
            for channel, count in channels_of(chunk, row).items():
                expected[chunk._replace(kind=VALUES, number=channel)] = count
    except (DamagedRow, DamagedChunk, ValueError, TypeError, OverflowError):
        swept.damaged.append((table, key))


def _settle(expected: dict[ChunkKey, int], found: dict[ChunkKey, int], going_on_h: int | None, swept: Swept) -> None:
    """Compare what must be there with what is, but for the hour that is still being read."""
    damaged = {key for _, key in swept.damaged}
    for key in [key for key in expected if key.start_h != going_on_h]:
        count = expected.pop(key)
        if key not in found and key.packed() not in damaged:
            swept.lost.append(key)
        elif key in found and found[key] != count:
            swept.damaged.append(("block", key.packed()))
        found.pop(key, None)
    for key in [key for key in found if key.start_h != going_on_h]:
        if key.kind == VALUES:
            swept.orphans.append(key)
        del found[key]


def key_of_hours(key: int) -> ChunkKey:
    """The chunk's key of a row in the table of hours; see sealing.hour_key."""
    return ChunkKey(key >> 19 & (1 << 23) - 1, key & (1 << 19) - 1, HOURS, key >> 42)


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
