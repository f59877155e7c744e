"""What `send` has to remember: how far it has read the record's queue, and what became of each letter.

A small SQLite file of its own, `sent.db`. What can't be written (a full disk) is kept in memory and tried
again: letters go out all the same, and only a crash meanwhile can make one go out twice.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from daemon.sending.ways import Letter

FILE_NAME = "sent.db"
VERSION = 1
KEPT_LETTERS = 2000  # the newest that are remembered as sent, with their receipts
UNSAVED_MOST = 10_000  # rows held in memory while the file can't be written
SET_ASIDE_MOST = 5  # damaged files that are kept beside the new one
WAITING, TAKEN, REFUSED, DROPPED = "waiting", "taken", "refused", "dropped"

_TABLES = """
create table if not exists meta(name text primary key, value text not null) without rowid;
create table if not exists letter(key text primary key, seq integer not null, body text not null);
create table if not exists receipt(
    key text not null, way text not null, state text not null, detail text not null,
    primary key(key, way)) without rowid;
create index if not exists letter_seq on letter(seq);
create index if not exists receipt_waiting on receipt(way) where state = 'waiting';
"""
_WRITES = {
    "meta": "insert or replace into meta(name, value) values(?, ?)",
    "letter": "insert or replace into letter(key, seq, body) values(?, ?, ?)",
    "receipt": "insert or replace into receipt(key, way, state, detail) values(?, ?, ?, ?)",
}


@dataclass(slots=True)
class Receipt:
    """What became of one letter on one way.

    Attributes:
        key: the letter's.
        way: name of the way out.
        state: waiting, taken, refused or dropped.
        rest: recipients that are still to get it.
        taken: recipients that have it.
        refused: recipients that will never get it, and why.
        tries: how often it was tried.
        why: the last reason why it did not go.
        at_s: when it was taken or refused, seconds since boot.
    """

    key: str
    way: str
    state: str
    rest: tuple[str, ...]
    taken: tuple[str, ...]
    refused: dict[str, str]
    tries: int = 0
    why: str | None = None
    at_s: float | None = None


@dataclass(slots=True)
class Remembered:
    """What an opened file holds.

    Attributes:
        meta: named values.
        keys: of every letter, the oldest first.
        last_seq: the newest letter's place in the order of their coming in.
        waiting: letters that wait, with their receipts, the oldest first.
        done: key and way of every letter that waits no more.
    """

    meta: dict[str, object]
    keys: list[str]
    last_seq: int
    waiting: list[tuple[Letter, Receipt]]
    done: set[tuple[str, str]]


class ReceiptFile:
    """`sent.db`, written by one process; every method is for one thread."""

    def __init__(self, folder: Path) -> None:
        """Open nothing yet; see `open`."""
        self.path = folder / FILE_NAME
        self.why: str | None = None  # why the last write or opening failed
        self._db: sqlite3.Connection | None = None
        self._unsaved: dict[tuple[object, ...], tuple[str, tuple[object, ...]]] = {}
        self._letters_since_pruning = KEPT_LETTERS

    @property
    def is_open(self) -> bool:
        """Whether the file has been opened and read."""
        return self._db is not None

    @property
    def unsaved(self) -> int:
        """Rows that wait in memory to be written."""
        return len(self._unsaved)

    def open(self) -> Remembered | None:
        """Open and read the file, made anew if there is none; a damaged one is set aside.

        Returns: what it holds; None when it can't be opened now, for the reason in `why`.
        """
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._db, found = _opened(self.path)
            except sqlite3.DatabaseError as why:
                if not _is_damage(why):
                    raise
                _set_aside(self.path)
                self._db, found = _opened(self.path)
        except (OSError, sqlite3.Error, ValueError, KeyError, TypeError) as why:
            self.why = f"{self.path}: {why}"
            return None
        self.why = None
        return found

    def put_meta(self, name: str, value: object) -> None:
        """Remember a named value, as JSON; it is written with the next `flush`."""
        self._put("meta", (name,), (name, json.dumps(value)))

    def put_letter(self, seq: int, letter: Letter) -> None:
        """Remember a letter that has come in."""
        self._letters_since_pruning += 1
        self._put("letter", (letter.key,), (letter.key, seq, json.dumps(asdict(letter))))

    def put_receipt(self, receipt: Receipt) -> None:
        """Remember the present state of a letter on a way."""
        detail = asdict(receipt)
        for part in ("key", "way", "state"):
            del detail[part]
        row = (receipt.key, receipt.way, receipt.state, json.dumps(detail))
        self._put("receipt", (receipt.key, receipt.way), row)

    def flush(self) -> bool:
        """Write everything that is not written yet, in one transaction.

        Returns: False when it could not be written, for the reason in `why`; it is all kept.
        """
        if self._db is None:
            return not self._unsaved
        if not self._unsaved:
            return True
        try:
            with self._db:
                self._db.execute("begin immediate")
                for statement, row in self._unsaved.values():
                    self._db.execute(statement, row)
                if self._letters_since_pruning >= KEPT_LETTERS // 10:
                    _prune(self._db)
                    self._letters_since_pruning = 0
        except sqlite3.Error as why:
            self.why = f"{self.path}: {why}"
            return False
        self._unsaved.clear()
        self.why = None
        return True

    def close(self) -> None:
        """Write what can be written and close the file."""
        self.flush()
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.close()
            self._db = None

    def _put(self, table: str, name: tuple[object, ...], row: tuple[object, ...]) -> None:
        place = (table, *name)
        self._unsaved.pop(place, None)
        self._unsaved[place] = (_WRITES[table], row)
        if len(self._unsaved) > UNSAVED_MOST:
            del self._unsaved[next(iter(self._unsaved))]


def sending_state(folder: Path) -> dict[str, object] | None:
    """Read how sending goes, for a screen; read-only, in one short transaction.

    Args:
        folder: the sending folder.
    Returns: None when there is nothing to read yet or it can't be read; else
        {"boot_id": of the process that wrote it, "written_s": seconds since that boot,
        "record_why": why the record can't be read, or None,
        "cursor": [number, key] of the last notice read, or None,
        "ways": {name: {"kind", "waiting": letters not taken yet, "taken", "refused", "dropped": counts,
        "last_taken": {"subject", "at_s"} or None, "failing_since_s": float or None, "last_error": str or None,
        "next_try_s": float or None, "last_refused": {"subject", "why", "at_s"} or None}},
        "central": None without a central store, else {"waiting_commits": of the record, not there yet,
        "unplaced_boots": boots that wait for somebody to tell when they were, "last_sent_utc_s": time of the
        newest reading sent, s since 1970, or None, "failing_since_s": float or None, "last_error": str or None,
        "next_try_s": float or None, "set_aside": lines the server refuses, a count},
        "mqtt": None without a broker, else {"broker", "connected": bool, "topics": told in this connection, a count,
        "last_sent_utc_s", "failing_since_s", "last_error", "next_try_s" as above},
        "metrics": None unless they are to be read here, else {"listen", "last_error": why nobody can read them}};
        times are seconds since the boot "boot_id".
    """
    path = folder / FILE_NAME
    # With the sender down there is no log beside the file; opening through the log would then make one, as
    # whoever looks, and the sender could not write to it.
    is_live = path.with_name(FILE_NAME + "-shm").exists()
    for how in ("mode=ro", "immutable=1") if is_live else ("immutable=1",):
        with suppress(sqlite3.Error, OSError, ValueError), _reading(path, how) as db:
            return _state_of(db)
    return None


@contextmanager
def _reading(path: Path, how: str) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?{how}", uri=True, timeout=0.2)) as db:
        yield db


def _state_of(db: sqlite3.Connection) -> dict[str, object]:
    meta = {name: json.loads(value) for name, value in db.execute("select name, value from meta")}
    state = meta.get("state")
    if not isinstance(state, dict) or not isinstance(state.get("ways"), dict):
        raise ValueError("no state of sending has been written yet")
    waiting = dict(db.execute("select way, count(*) from receipt where state = 'waiting' group by way"))
    for name, way in state["ways"].items():
        way["waiting"] = waiting.get(name, 0)
    state["cursor"] = meta.get("cursor")
    state["central"] = meta.get("central") if state.pop("has_central", False) else None
    doors = state.pop("doors", ())
    for name in ("mqtt", "metrics"):
        state[name] = meta.get(name) if name in doors else None
    return state


def _opened(path: Path) -> tuple[sqlite3.Connection, Remembered]:
    db = sqlite3.connect(path, isolation_level=None, timeout=1.0)
    try:
        db.execute("pragma journal_mode=wal")
        db.execute("pragma synchronous=full")
        (version,) = db.execute("pragma user_version").fetchone()
        if version > VERSION:
            raise ValueError(f"was written by a newer release (layout {version}, this one knows {VERSION})")
        db.executescript(_TABLES)
        db.execute(f"pragma user_version={VERSION}")
        return db, _remembered(db)
    except BaseException:
        db.close()
        raise


def _remembered(db: sqlite3.Connection) -> Remembered:
    keys = db.execute("select key, seq from letter order by seq, rowid").fetchall()
    waiting = db.execute(
        "select r.key, r.way, r.state, r.detail, l.body from receipt r join letter l using(key) "
        "where r.state = 'waiting' order by l.seq, l.rowid"
    )
    return Remembered(
        meta={name: json.loads(value) for name, value in db.execute("select name, value from meta")},
        keys=[key for key, _ in keys],
        last_seq=max((seq for _, seq in keys), default=0),
        waiting=[(Letter(**json.loads(row[4])), _receipt(row[:4])) for row in waiting],
        done=set(db.execute("select key, way from receipt where state <> 'waiting'")),
    )


def _receipt(row: tuple[str, str, str, str]) -> Receipt:
    key, way, state, text = row
    detail = json.loads(text)
    return Receipt(
        key=key,
        way=way,
        state=state,
        rest=tuple(detail["rest"]),
        taken=tuple(detail["taken"]),
        refused=dict(detail["refused"]),
        tries=int(detail["tries"]),
        why=detail["why"],
        at_s=detail["at_s"],
    )


def _prune(db: sqlite3.Connection) -> None:
    """Forget the oldest letters that wait on no way."""
    db.execute(
        "delete from letter where seq <= (select max(seq) from letter) - ? "
        "and not exists (select 1 from receipt r where r.key = letter.key and r.state = 'waiting')",
        (KEPT_LETTERS,),
    )
    db.execute("delete from receipt where key not in (select key from letter)")


def _is_damage(why: sqlite3.DatabaseError) -> bool:
    return getattr(why, "sqlite_errorcode", None) in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT)


def _set_aside(path: Path) -> None:
    """Rename a damaged file and what belongs to it; never more than a few, the oldest goes first."""
    names: Iterable[Path] = (path.with_name(f"{path.name}.damaged-{n}") for n in range(1, SET_ASIDE_MOST + 1))
    free = next((name for name in names if not name.exists()), path.with_name(f"{path.name}.damaged-1"))
    path.replace(free)
    for ending in ("-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)
