"""What `send` has to remember: how far it has read the record's queue, and what became of each letter.

A small SQLite file of its own, `sent.db`. What can't be written (a full disk, a card gone read-only) is kept
and tried again, and lies in a file of the runtime folder meanwhile: letters go out all the same, and a sender
that is started again knows of them. Only where that file can't be written either, or the computer is restarted
as well, can a letter go out twice: once more with each such start.
"""

import json
import logging
import sqlite3
from collections.abc import Collection, Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from daemon.memory_file import drop_file, put_file, read_file
from daemon.sending.ways import Letter

log = logging.getLogger("halfmark.send")

FILE_NAME = "sent.db"
STAND_IN_NAME = "sent-meanwhile.json"
STAND_IN_ROWS_MOST = 1000  # the newest; a letter is up to three of them
STAND_IN_BYTES_MOST = 8 << 20
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
_NAMES = {"meta": 1, "letter": 1, "receipt": 2}  # how many of a row's values are its name
_VALUES = {"meta": 2, "letter": 3, "receipt": 4}
Rows = dict[tuple[object, ...], tuple[str, tuple[object, ...]]]  # by table and name: the statement, and its values


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

    def __init__(self, folder: Path, stand_in_folder: Path | None = None) -> None:
        """Open nothing yet; see `open`.

        Args:
            folder: of the file.
            stand_in_folder: in memory, for what can't be written to the file; None for nowhere.
        """
        self.path = folder / FILE_NAME
        self._stand_in = None if stand_in_folder is None else stand_in_folder / STAND_IN_NAME
        self._carried = _carried(self._stand_in)  # what an earlier sender could not write
        self._stands_in = bool(self._carried)
        self._is_new = False  # something unsaved is not in the stand-in
        self.why: str | None = None  # why the last write or opening failed
        self._db: sqlite3.Connection | None = None
        self._unsaved: Rows = {}
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
                self._db, found = _opened(self.path, self._carried.values())
            except sqlite3.DatabaseError as why:
                if not _is_damage(why):
                    raise
                _set_aside(self.path)
                self._db, found = _opened(self.path, self._carried.values())
        except (OSError, sqlite3.Error, ValueError, KeyError, TypeError) as why:
            self.why = f"{self.path}: {why}"
            return None
        self.why = None
        self._carried = {}
        if not self._unsaved:
            self._drop_stand_in()
        return found

    def look(self) -> Remembered | None:
        """Read what can be read of a file that can't be opened for writing, and what stands in for it.

        What stands in for it is to be written with the rest, once it can be.

        Returns: None when nothing can be read.
        """
        found = _looked(self.path, self._carried.values())
        if found is not None:
            self._unsaved = {**self._carried, **self._unsaved}
            self._carried = {}
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
        if self._db is None or not self._unsaved:
            self._put_stand_in()
            return not self._unsaved
        if self._stands_in:  # written first, so that one which outlives this is not older than the file
            self._put_stand_in()
        try:
            with self._db:
                self._db.execute("begin immediate")
                _write(self._db, self._unsaved.values())
                if self._letters_since_pruning >= KEPT_LETTERS // 10:
                    _prune(self._db)
                    self._letters_since_pruning = 0
        except sqlite3.Error as why:
            self.why = f"{self.path}: {why}"
            self._put_stand_in()
            return False
        self._unsaved.clear()
        self.why = None
        self._drop_stand_in()
        return True

    def _put_stand_in(self) -> None:
        """Put what can't be written where it outlasts this process; what was carried over waits there already."""
        if self._stand_in is None or not self._is_new or not self._unsaved:
            return
        rows = {**self._carried, **self._unsaved}
        value = [[table, *row] for (table, *_), (_, row) in list(rows.items())[-STAND_IN_ROWS_MOST:]]
        with suppress(OSError):  # then it is in memory alone; see the first lines
            put_file(self._stand_in, value)
            self._stands_in, self._is_new = True, False

    def _drop_stand_in(self) -> None:
        if self._stands_in and self._stand_in is not None:
            self._stands_in = not drop_file(self._stand_in)

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
        self._is_new = True
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


def _carried(stand_in: Path | None) -> Rows:
    """What an earlier sender could not write; nothing when there is none, or none that makes sense."""
    if stand_in is None:
        return {}
    try:
        value = read_file(stand_in, STAND_IN_BYTES_MOST)
    except (OSError, ValueError) as why:
        log.warning("%s can't be read (%s): letters of the last hours may go out twice", stand_in, why)
        return {}
    rows: Rows = {}
    for line in value if isinstance(value, list) else []:
        if _is_row(line):
            table, *row = line
            rows[(table, *row[: _NAMES[table]])] = (_WRITES[table], tuple(row))
    return rows


def _is_row(line: object) -> bool:
    """Whether it is the name of a table and the values of one of its rows, the last of them JSON."""
    if not (isinstance(line, list) and line and all(isinstance(part, str | int) for part in line)):
        return False
    if line[0] not in _VALUES or len(line) != 1 + _VALUES[line[0]]:
        return False
    with suppress(ValueError, TypeError):
        json.loads(line[-1])
        return True
    return False


def _looked(path: Path, carried: Collection[tuple[str, tuple[object, ...]]]) -> Remembered | None:
    """Read a copy in memory, in which what could not be written is written."""
    is_found = False
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        for how in ("mode=ro", "immutable=1"):
            with suppress(sqlite3.Error, OSError), _reading(path, how) as file:
                file.backup(db)
                is_found = True
                break
        if not is_found and not carried:
            return None
        with suppress(sqlite3.Error, ValueError, KeyError, TypeError):
            (version,) = db.execute("pragma user_version").fetchone()
            if version > VERSION:
                return None
            db.executescript(_TABLES)
            _write(db, carried)
            return _remembered(db)
    return None


def _write(db: sqlite3.Connection, rows: Iterable[tuple[str, tuple[object, ...]]]) -> None:
    for statement, row in rows:
        db.execute(statement, row)


def _opened(path: Path, carried: Collection[tuple[str, tuple[object, ...]]]) -> tuple[sqlite3.Connection, Remembered]:
    db = sqlite3.connect(path, isolation_level=None, timeout=1.0)
    try:
        db.execute("pragma journal_mode=wal")
        db.execute("pragma synchronous=full")
        (version,) = db.execute("pragma user_version").fetchone()
        if version > VERSION:
            raise ValueError(f"was written by a newer release (layout {version}, this one knows {VERSION})")
        db.executescript(_TABLES)
        db.execute(f"pragma user_version={VERSION}")
        if carried:
            with db:
                db.execute("begin immediate")
                _write(db, carried)
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
