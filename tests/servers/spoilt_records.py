"""Records of which a bit was flipped behind everybody's back, as a failing card does it."""

import random
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from daemon.record import Batch, Record, RecordReader
from daemon.record.chunks import POLLS, VALUES, ChunkKey
from servers.records import WALL_UTC_S
from shared.readings import Reading

EARLIER = "ea" * 16
HOUR_S = 3600.0


@contextmanager
def opened(folder: Path) -> Iterator[sqlite3.Connection]:
    """The record's file for changes of one statement each, beside whoever has it open."""
    db = sqlite3.connect(folder / "record.db", isolation_level=None, timeout=5.0)
    try:
        yield db
    finally:
        db.close()


def ask(folder: Path, question: str, *values: object) -> list[Any]:
    """Ask one question, or change something."""
    with opened(folder) as db:
        return db.execute(question, values).fetchall()


def bend(folder: Path, table: str, key: int, bit: int = 33) -> bytes:
    """Flip a bit of a stored row; give the row as it is now."""
    ((row,),) = ask(folder, f"SELECT row FROM {table} WHERE k = ?", key)
    bent = bytearray(row)
    bent[bit // 8 % len(bent)] ^= 1 << bit % 8
    ask(folder, f"UPDATE {table} SET row = ? WHERE k = ?", bytes(bent), key)
    return bytes(bent)


def chunk(folder: Path, instrument: str, quantity: str | None, start_h: int = 0, boot: int = 1) -> int:
    """The key of a sealed chunk: of a quantity's values, or of an instrument's polls."""
    with RecordReader(folder) as reader:
        if quantity is None:
            return ChunkKey(boot, start_h, POLLS, reader._names().instruments[instrument]).packed()
        entry = next(e for e in reader.channels() if (e.instrument, e.quantity) == (instrument, quantity))
    return ChunkKey(boot, start_h, VALUES, entry.number).packed()


def break_page(folder: Path, table: str, which: int = 0) -> None:
    """Overwrite the head of a page of a table's rows, in the file itself; nobody has it open."""
    pages = ask(folder, "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY path", table)
    assert len(pages) > 2, "with fewer the whole table is gone"
    with (folder / "record.db").open("r+b") as file:
        file.seek((pages[which][0] - 1) * 4096)
        file.write(b"\xff" * 64)


def fill(record: Record, hours: float, *, every_s: float = 10.0, noise: float = 0.0) -> None:
    """A shunt and a controller, from the first second of the boot on, a commit each ten minutes.

    With noise the rows are large, and lie on many pages.
    """
    chance = random.Random(9)
    batch = Batch()
    each = round(600.0 / every_s)
    for step in range(int(hours * HOUR_S / every_s)):
        at_s = step * every_s + 1.0
        bank_v = 12.0 + step % 100 / 100.0 + round(chance.uniform(0.0, noise), 3)
        batch.readings.append(Reading("shunt", at_s, {"bank_v": bank_v, "bank_a": step % 7 / 10.0}))
        batch.readings.append(Reading("controller", at_s + 0.5, {"panel_w": float(step % 80)}))
        if step % each == each - 1:
            batch.until_s = at_s + every_s / 2.0
            record.commit(batch)
            batch = Batch()


def sealed_record(folder: Path, hours: float = 12.5, *, group: str | int | None = None) -> Path:
    """Leave a record of an earlier boot behind in which all hours that are over are sealed."""
    record = Record.open(folder, boot_id=EARLIER, elapsed_s=0.0, wall_utc_s=WALL_UTC_S, group=group)
    fill(record, hours)
    record.seal_all((hours + 0.5) * HOUR_S - 1.0)
    record.close()
    return folder
