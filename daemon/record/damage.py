"""Damaged rows: whether a row is one, what was in it, and moving it to where such rows are kept; never deleted.

A row that is set aside lies in the table `damaged` as it was found; the table `aside` says what it held, because
that can't be told later: how many readings a chunk of values had is known from its instrument's polls, and those
are packed without it.
"""

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from typing import Any

from daemon.record.catalogue import Catalogue, UnknownNumber
from daemon.record.chunks import (
    BLOCK_H,
    BOOT_SHIFT,
    EPOCH_H,
    HOUR_MS,
    HOURS,
    MINUTES,
    POLLS,
    VALUES,
    ChunkKey,
    DamagedChunk,
    check_chunk,
    count_of,
    key_of_hours,
    take_polls,
)
from daemon.record.contents import Damage
from daemon.record.packing import MS_MOST, DamagedRow, check_row, split_key
from daemon.record.rollups import take_rollups

SWEPT_TABLES = ("tail", "piece", "block", "minute", "hour")
KINDS = {VALUES: "values", MINUTES: "minutes", HOURS: "hours", POLLS: "polls"}
COMMIT, PAGES = "commit", "pages"  # what a `Damage` is of, where it is of no chunk
SPANS_H = {"piece": 1, "block": BLOCK_H, "minute": BLOCK_H, "hour": EPOCH_H}
LOST = b""  # kept for a row of which nothing was left

Ask = Callable[..., list[Any]]


def chunk_key(table: str, key: int) -> ChunkKey:
    """Take the key of a sealed row apart; the table of hours has an order of its own."""
    return key_of_hours(key) if table == "hour" else ChunkKey.of(key)


def is_damaged(ask: Ask, table: str, key: int) -> bool:
    """Whether a row does not fit its checksum, is not what its polls say, or is lost though they say it must be there.

    Raises: ValueError: there are no rows with checksums in such a table.
    """
    if table not in SWEPT_TABLES:
        raise ValueError(f"no table {table} of rows with checksums")
    row = row_at(ask, table, key)
    if table == "tail":
        return row is not None and not _fits(lambda: check_row(key, row))
    chunk = chunk_key(table, key)
    if chunk.kind in (MINUTES, HOURS):
        return row is not None and not _fits(lambda: take_rollups(chunk, row))
    if chunk.kind == POLLS:
        return row is not None and not _fits(lambda: take_polls(chunk, row))
    expected = _expected(ask, table, chunk)
    if row is None:
        return bool(expected) and not ask("SELECT 1 FROM damaged WHERE place = ? AND k = ?", table, key)
    return not _fits(lambda: check_chunk(key, row)) or expected is None or count_of(row) != expected


def _fits(look: Callable[[], object]) -> bool:
    try:
        look()
    except (DamagedRow, DamagedChunk, ValueError, TypeError, OverflowError):
        return False
    return True


def row_at(ask: Ask, table: str, key: int) -> Any:
    """The bytes of a row, None when it is not there."""
    rows = ask(f"SELECT row FROM {table} WHERE k = ?", key)
    return rows[0][0] if rows else None


def _expected(ask: Ask, table: str, values: ChunkKey) -> int | None:
    """How many values the polls of its instrument say a chunk has; None when no polls tell of it."""
    (number,) = ask("SELECT max(instrument) FROM channel WHERE id = ?", values.number)[0]
    if number is None:
        return None
    polls = values._replace(kind=POLLS, number=number)
    try:
        return take_polls(polls, row_at(ask, table, polls.packed())).count_of(values.number)
    except (DamagedChunk, TypeError):
        return None


# -- what was in it ----------------------------------------------------------------------------


def damage_of(ask: Ask, catalogue: Catalogue, table: str, key: int) -> Damage:
    """Say what a damaged row held, as far as that can be told while it is in its place."""
    if table == "tail":
        boot, ms = split_key(key)
        (before,) = ask("SELECT max(k) FROM tail WHERE k < ? AND k >= ?", key, boot << BOOT_SHIFT)[0]
        begin_ms = ms // HOUR_MS * HOUR_MS if before is None else before & MS_MOST
        return Damage(table, key, COMMIT, "", "", boot, begin_ms / 1000.0, ms / 1000.0, None)
    chunk = chunk_key(table, key)
    begin_s, end_s = chunk.start_ms / 1000.0, (chunk.start_ms + SPANS_H[table] * HOUR_MS) / 1000.0
    instrument, quantity = _names(catalogue, chunk)
    readings: int | None = None
    if chunk.kind == POLLS:
        readings = _polls_by_values(ask, catalogue, table, chunk)
    elif chunk.kind == VALUES:
        with suppress(DamagedChunk, TypeError, KeyError):
            polls = chunk._replace(kind=POLLS, number=catalogue.instruments[instrument])
            times_ms = take_polls(polls, row_at(ask, table, polls.packed())).times_of(chunk.number)
            if times_ms:
                begin_s, end_s, readings = times_ms[0] / 1000.0, times_ms[-1] / 1000.0, len(times_ms)
    return Damage(table, key, KINDS[chunk.kind], instrument, quantity, chunk.boot, begin_s, end_s, readings)


def _names(catalogue: Catalogue, chunk: ChunkKey) -> tuple[str, str]:
    """Instrument and quantity; of polls the instrument alone."""
    try:
        if chunk.kind == POLLS:
            return catalogue.instrument_name(chunk.number), ""
        entry = catalogue.channel_entry(chunk.number)
    except UnknownNumber:
        return f"number {chunk.number}", ""
    return entry.instrument, entry.quantity


def _polls_by_values(ask: Ask, catalogue: Catalogue, table: str, polls: ChunkKey) -> int | None:
    """How many polls there were at least, by the values that came of them."""
    counts = []
    for key in values_of(catalogue, polls):
        row = row_at(ask, table, key)
        with suppress(DamagedChunk):
            if row is not None:
                check_chunk(key, row)
                counts.append(count_of(row))
    return max(counts, default=None)


def values_of(catalogue: Catalogue, polls: ChunkKey) -> Iterator[int]:
    """The keys that the values of an instrument's polls may have."""
    with suppress(UnknownNumber):
        name = catalogue.instrument_name(polls.number)
        for entry in catalogue.channels:
            if entry.instrument == name:
                yield polls._replace(kind=VALUES, number=entry.number).packed()


def names_of(damage: Iterable[Damage]) -> str:
    """Name what rows were of, each once."""
    return ", ".join(dict.fromkeys(f"{one.instrument} {one.quantity}".strip() or one.what for one in damage))


# -- moving ------------------------------------------------------------------------------------


def put_aside(db: sqlite3.Connection, damage: Damage, row: object, boot: int, now_ms: int) -> None:
    """Move a row to where damaged ones are kept, and say what was in it; inside a transaction."""
    kept = row if isinstance(row, bytes) else str(row).encode()
    cursor = db.execute(
        "INSERT INTO damaged (place, k, row, boot, at_ms) VALUES (?, ?, ?, ?, ?)",
        (damage.table, damage.key, kept, boot, now_ms),
    )
    put_words(db, cursor.lastrowid or 0, damage)
    db.execute(f"DELETE FROM {damage.table} WHERE k = ?", (damage.key,))


def put_words(db: sqlite3.Connection, number: int, damage: Damage) -> None:
    """Write down what was in a row that is set aside."""
    db.execute(
        "INSERT INTO aside (id, what, instrument, quantity, boot, begin_ms, end_ms, readings)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            number,
            damage.what,
            damage.instrument,
            damage.quantity,
            damage.boot,
            round(damage.begin_s * 1000.0),
            round(damage.end_s * 1000.0),
            damage.readings,
        ),
    )


def set_aside_damaged(
    db: sqlite3.Connection, ask: Ask, catalogue: Catalogue, table: str, key: int, boot: int, now_ms: int
) -> list[Damage]:
    """Move a row away if it is damaged, and with polls the values that are nothing without them; in a transaction.

    Returns: what was moved; nothing when the row is whole or not there.
    """
    if not is_damaged(ask, table, key):
        return []
    keys = [key]
    if table in ("piece", "block") and chunk_key(table, key).kind == POLLS:
        keys += [one for one in values_of(catalogue, ChunkKey.of(key)) if row_at(ask, table, one) is not None]
    found = [damage_of(ask, catalogue, table, one) for one in keys]
    for damage in found:
        row = row_at(ask, table, damage.key)
        put_aside(db, damage, LOST if row is None else row, boot, now_ms)
    return found


def asides(ask: Ask) -> list[Damage]:
    """Every row that was set aside, in the order of their times."""
    rows = ask(
        "SELECT damaged.place, damaged.k, what, instrument, quantity, aside.boot, begin_ms, end_ms, readings"
        " FROM aside JOIN damaged USING (id) ORDER BY aside.boot, begin_ms, aside.id"
    )
    return [
        Damage(table, key, what, instrument, quantity, boot, begin_ms / 1000.0, end_ms / 1000.0, readings)
        for table, key, what, instrument, quantity, boot, begin_ms, end_ms, readings in rows
    ]
