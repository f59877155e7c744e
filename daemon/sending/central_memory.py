"""How far the copy to the central store has come, and the lines set aside; tables of their own in `sent.db`.

One connection of its own, for the copy's own thread. What can't be written (a full disk) is kept in
memory and written later: a crash meanwhile only sends the same points again, which changes nothing there.
"""

import json
import sqlite3
import zlib
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from daemon.sending.receipts import FILE_NAME

ASIDE_KEPT = 1000  # lines set aside that are kept, the newest; the count goes on
META_NAME = "central"

_TABLES = """
create table if not exists meta(name text primary key, value text not null) without rowid;
create table if not exists central_boot(
    store text not null, boot_id text not null, number integer not null, first_ms integer not null,
    ms integer not null, offset_ms integer, event_id integer not null, finished integer not null,
    newest text not null, primary key(store, boot_id, number, first_ms)) without rowid;
create table if not exists central_unsure(store text primary key, batch blob not null) without rowid;
create table if not exists central_aside(id integer primary key, line text not null, why text not null);
"""


@dataclass(slots=True)
class Position:
    """How far one boot of the record has been copied.

    Attributes:
        boot_id, number, first_ms: which boot; a record begun anew has another one, and is copied from its start.
        ms: the last commit that is at the store; -1 none.
        offset_ms: ms since 1970 at which the boot began, as it was last used; None before the first use.
        event_id: the last change of an alert that is at the store.
        finished: whether the boot is over and all of it is there.
        newest: for each instrument the newest reading that is there, ms since boot, and its distance from the
            one before, 0 where that is not known.
    """

    boot_id: str
    number: int
    first_ms: int
    ms: int = -1
    offset_ms: int | None = None
    event_id: int = 0
    finished: bool = False
    newest: dict[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, int, int]:
        """What tells it from any other boot of any record."""
        return self.boot_id, self.number, self.first_ms


@dataclass(slots=True)
class Batch:
    """Lines of one boot, and where the copy stands when they have arrived.

    Attributes:
        position: of the boot, before the batch.
        ms, event_id, newest: what to set in it afterwards.
        commits: how many commits of the record are in it.
        lines: the lines, in order.
        newest_ms: time of the newest reading in it, ms since 1970; None without one.
        redated: whether the position's start of the boot was changed for it, so that it must be saved first.
    """

    position: Position
    ms: int
    event_id: int
    newest: dict[str, tuple[int, int]] = field(default_factory=dict)
    commits: int = 0
    lines: list[str] = field(default_factory=list)
    newest_ms: int | None = None
    redated: bool = False


class CentralMemory:
    """The tables of the copy, for one store."""

    def __init__(self, folder: Path, store: str) -> None:
        """Open nothing yet.

        Args:
            folder: the sending folder.
            store: names the server, organisation and bucket: another one is begun from the start.
        """
        self.path = folder / FILE_NAME
        self.why: str | None = None  # why the last write or opening failed
        self.aside_count = 0
        self.positions: dict[tuple[str, int, int], Position] = {}
        self._store = store
        self._db: sqlite3.Connection | None = None
        self._changed: set[tuple[str, int, int]] = set()
        self._aside: list[tuple[str, str]] = []
        self._state: str | None = None
        self.unsure: Batch | None = None  # one that may have arrived: it is sent again as it was
        self._unsure_changed = False

    def open(self) -> bool:
        """Open and read, if that is still to be done; False when it can't be, for the reason in `why`."""
        if self._db is not None:
            return True
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            db = sqlite3.connect(self.path, isolation_level=None, timeout=2.0)
            try:
                self._read(db)
            except BaseException:
                db.close()
                raise
        except (OSError, sqlite3.Error) as why:
            self.why = f"{self.path}: {why}"
            return False
        self._db, self.why = db, None
        return True

    def position(self, boot_id: str, number: int, first_ms: int) -> Position:
        """Give how far a boot has been copied."""
        fresh = Position(boot_id, number, first_ms)
        return self.positions.setdefault(fresh.key, fresh)

    def put(self, position: Position, aside: Iterable[tuple[str, str]] = ()) -> None:
        """Remember a position, and lines that were set aside with the reason; written with the next `save`."""
        self.positions[position.key] = position
        self._changed.add(position.key)
        lines = list(aside)
        self.aside_count += len(lines)
        self._aside = [*self._aside, *lines][-ASIDE_KEPT:]

    def keep(self, batch: Batch | None) -> None:
        """Remember a batch that may have arrived in part or whole; None when that has been settled.

        Read again from the record it might have other times: sealing moves them by some milliseconds.
        """
        if batch is not self.unsure:
            self.unsure, self._unsure_changed = batch, True

    def save(self, state: Mapping[str, object] | None = None) -> bool:
        """Write everything that is not written yet, in one transaction.

        Args:
            state: how the copy goes, for the screens.
        Returns: False when it could not be written, for the reason in `why`; it is all kept.
        """
        if state is not None:
            self._state = json.dumps({**state, "set_aside": self.aside_count})
        if self._db is None:
            return False
        if not (self._changed or self._aside or self._state or self._unsure_changed):
            return True
        try:
            with self._db:
                self._db.execute("begin immediate")
                self._write(self._db)
        except sqlite3.Error as why:
            self.why = f"{self.path}: {why}"
            return False
        self._changed.clear()
        self._aside.clear()
        self._state = None
        self._unsure_changed = False
        self.why = None
        return True

    def close(self) -> None:
        """Write what can be written and close."""
        self.save()
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.close()
            self._db = None

    def _read(self, db: sqlite3.Connection) -> None:
        db.execute("pragma journal_mode=wal")
        db.execute("pragma synchronous=full")
        if db.execute("select count(*) from sqlite_master where name like 'central_%'").fetchone()[0] < 3:
            db.executescript(_TABLES)
        rows = db.execute(
            "select boot_id, number, first_ms, ms, offset_ms, event_id, finished, newest from central_boot"
            " where store = ?",
            (self._store,),
        )
        for boot_id, number, first_ms, ms, offset_ms, event_id, finished, newest in rows:
            position = Position(boot_id, number, first_ms, ms, offset_ms, event_id, bool(finished), _newest(newest))
            self.positions[position.key] = position
        row = db.execute("select batch from central_unsure where store = ?", (self._store,)).fetchone()
        self.unsure = None if row is None else self._unpacked(row[0])
        (total,) = db.execute("select coalesce(max(id), 0) from central_aside").fetchone()
        self.aside_count = int(total)

    def _write(self, db: sqlite3.Connection) -> None:
        for key in self._changed:
            one = self.positions[key]
            row = (self._store, *key, one.ms, one.offset_ms, one.event_id, int(one.finished), json.dumps(one.newest))
            db.execute("insert or replace into central_boot values(?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
        if self._unsure_changed:
            db.execute("delete from central_unsure where store = ?", (self._store,))
            if self.unsure is not None:
                db.execute("insert into central_unsure values(?, ?)", (self._store, _packed(self.unsure)))
        if self._aside:
            db.executemany("insert into central_aside(line, why) values(?, ?)", self._aside)
            db.execute("delete from central_aside where id <= (select max(id) from central_aside) - ?", (ASIDE_KEPT,))
        if self._state is not None:
            db.execute("insert or replace into meta(name, value) values(?, ?)", (META_NAME, self._state))

    def _unpacked(self, packed: bytes) -> Batch:
        row = json.loads(zlib.decompress(packed))
        position = self.position(*row["boot"])
        newest = _newest(json.dumps(row["newest"]))
        return Batch(position, row["ms"], row["event_id"], newest, row["commits"], row["lines"], row["newest_ms"])


def _packed(batch: Batch) -> bytes:
    names = ("ms", "event_id", "newest", "commits", "lines", "newest_ms")
    row = {"boot": batch.position.key, **{name: getattr(batch, name) for name in names}}
    return zlib.compress(json.dumps(row).encode())


def _newest(text: str) -> dict[str, tuple[int, int]]:
    return {name: (int(ms), int(gap_ms)) for name, (ms, gap_ms) in json.loads(text).items()}


def lines_set_aside(folder: Path) -> list[tuple[str, str]]:
    """Read the lines that were set aside, with why, the oldest first; for a person who looks."""
    with suppress(sqlite3.Error):
        db = sqlite3.connect(f"{(folder / FILE_NAME).resolve().as_uri()}?mode=ro", uri=True, timeout=0.5)
        try:
            return [
                (str(line), str(why)) for line, why in db.execute("select line, why from central_aside order by id")
            ]
        finally:
            db.close()
    return []
