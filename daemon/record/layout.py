"""The record's tables, their version, and the way from an older version to this one.

Times are whole milliseconds: `*_ms` since the start of a boot, `*_utc_ms` since 1970. Only `anchor`
holds wall time that someone vouched for; `boot.wall_utc_ms` is what the clock claimed, as evidence.
No row carries a time of day, so a boot is placed in the calendar later by one anchor, and no
reading is rewritten for it.
"""

import sqlite3
from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Any

from daemon.clock import Anchor
from daemon.errors import StoreError
from daemon.record.catalogue import Catalogue
from daemon.record.damage import damage_of, put_words

APPLICATION_ID = 0x484C464D  # "HLFM": another program's database is never taken for a record
VERSION = 4
PAGE_BYTES = 4096
AUTO_VACUUM_INCREMENTAL = 2

# What is sealed, see chunks.py: `piece` an hour of anything, and packed from those `block` what was read,
# `minute` and `hour` its rollups; `damaged` is where a row goes that did not fit its checksum.
SEALED_TABLES = (
    "CREATE TABLE piece (k INTEGER PRIMARY KEY, row BLOB NOT NULL)",
    "CREATE TABLE block (k INTEGER PRIMARY KEY, row BLOB NOT NULL)",
    "CREATE TABLE minute (k INTEGER PRIMARY KEY, row BLOB NOT NULL)",
    "CREATE TABLE hour (k INTEGER PRIMARY KEY, row BLOB NOT NULL)",
    "CREATE TABLE damaged (id INTEGER PRIMARY KEY, place TEXT NOT NULL, k INTEGER NOT NULL, row BLOB NOT NULL,"
    " boot INTEGER NOT NULL, at_ms INTEGER NOT NULL)",
)

# `run` has each start of the service with how the one before ended; `day` the daybook, a row a day, kept for ever.
DAY_TABLES = (
    "CREATE TABLE run (id INTEGER PRIMARY KEY, boot INTEGER NOT NULL REFERENCES boot, at_ms INTEGER NOT NULL,"
    " json TEXT NOT NULL)",
    "CREATE TABLE day (name TEXT PRIMARY KEY, boot INTEGER NOT NULL REFERENCES boot, at_ms INTEGER NOT NULL,"
    " json TEXT NOT NULL) WITHOUT ROWID",
)

# `aside` says what was in a row that lies in `damaged`, see damage.py.
ASIDE_TABLES = (
    "CREATE TABLE aside (id INTEGER PRIMARY KEY REFERENCES damaged, what TEXT NOT NULL, instrument TEXT NOT NULL,"
    " quantity TEXT NOT NULL, boot INTEGER NOT NULL, begin_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL,"
    " readings INTEGER)",
)

# `tail` has the reading rows of one commit each, see packing.py, until they are sealed.
TABLES = (
    "CREATE TABLE boot (number INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, first_ms INTEGER NOT NULL,"
    " wall_utc_ms INTEGER NOT NULL)",
    "CREATE TABLE anchor (id INTEGER PRIMARY KEY, boot INTEGER NOT NULL REFERENCES boot, at_ms INTEGER NOT NULL,"
    " utc_ms INTEGER NOT NULL, error_ms INTEGER NOT NULL, source TEXT NOT NULL)",
    "CREATE INDEX anchor_by_time ON anchor (boot, at_ms)",
    "CREATE TABLE instrument (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    "CREATE TABLE channel (id INTEGER PRIMARY KEY, instrument INTEGER NOT NULL REFERENCES instrument,"
    " quantity TEXT NOT NULL, step REAL NOT NULL, UNIQUE (instrument, quantity, step))",
    "CREATE TABLE reason (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE)",
    "CREATE TABLE tail (k INTEGER PRIMARY KEY, row BLOB NOT NULL)",
    "CREATE TABLE state (name TEXT PRIMARY KEY, boot INTEGER NOT NULL REFERENCES boot, at_ms INTEGER NOT NULL,"
    " json TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE alert_event (id INTEGER PRIMARY KEY AUTOINCREMENT, boot INTEGER NOT NULL REFERENCES boot,"
    " at_ms INTEGER NOT NULL, alert TEXT NOT NULL, rule TEXT NOT NULL, state TEXT NOT NULL, value REAL,"
    " bound REAL, severity TEXT NOT NULL, json TEXT NOT NULL)",
    "CREATE TABLE notice (id INTEGER PRIMARY KEY AUTOINCREMENT, boot INTEGER NOT NULL REFERENCES boot,"
    " at_ms INTEGER NOT NULL, json TEXT NOT NULL)",
    "CREATE TABLE entry (id INTEGER PRIMARY KEY AUTOINCREMENT, boot INTEGER NOT NULL REFERENCES boot,"
    " at_ms INTEGER NOT NULL, who TEXT NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL)",
    *SEALED_TABLES,
    *DAY_TABLES,
    *ASIDE_TABLES,
)

# What each version brought, by the version; older ones lack it.
TABLES_SINCE: Mapping[int, tuple[str, ...]] = MappingProxyType({2: SEALED_TABLES, 3: DAY_TABLES, 4: ASIDE_TABLES})

# Asked in this order, each by itself: an instrument is never younger than its channels.
CATALOGUE_QUESTIONS: Mapping[str, str] = MappingProxyType(
    {
        "channels": "SELECT id, instrument, quantity, step FROM channel ORDER BY id",
        "instruments": "SELECT id, name FROM instrument ORDER BY id",
        "reasons": "SELECT id, text FROM reason ORDER BY id",
    }
)
ANCHORS_QUESTION = "SELECT boot, at_ms, utc_ms, error_ms, source FROM anchor ORDER BY id"

Migration = Callable[[sqlite3.Connection], None]


def _add_sealed_tables(db: sqlite3.Connection) -> None:
    """From 1 to 2: readings are sealed. What lies in the tail is, hour by hour, once the service runs."""
    for statement in SEALED_TABLES:
        db.execute(statement)


def _add_day_tables(db: sqlite3.Connection) -> None:
    """From 2 to 3: starts of the service and the daybook are kept. Days before are worked out when asked for."""
    for statement in DAY_TABLES:
        db.execute(statement)


def _add_aside_table(db: sqlite3.Connection) -> None:
    """From 3 to 4: of a row that was set aside it is known what it held. Of earlier ones only when and whose."""
    for statement in ASIDE_TABLES:
        db.execute(statement)
    ask = partial(_answer, db)
    catalogue = Catalogue(**{kind: ask(question) for kind, question in CATALOGUE_QUESTIONS.items()})
    for number, table, key in ask("SELECT id, place, k FROM damaged ORDER BY id"):
        put_words(db, number, damage_of(ask, catalogue, table, key)._replace(readings=None))


def _answer(db: sqlite3.Connection, question: str, *values: object) -> list[Any]:
    return db.execute(question, values).fetchall()


# The step from a version to the next one, by the version it starts from. A step only executes
# statements; it runs in a transaction that ends with the new version number, or not at all.
MIGRATIONS: Mapping[int, Migration] = MappingProxyType({1: _add_sealed_tables, 2: _add_day_tables, 3: _add_aside_table})


def anchor_of(row: tuple[int, int, int, int, str]) -> Anchor:
    """Give the anchor of a row of ANCHORS_QUESTION."""
    boot, at_ms, utc_ms, error_ms, source = row
    return Anchor(boot, at_ms / 1000.0, utc_ms / 1000.0, error_ms / 1000.0, source)


def prepare(db: sqlite3.Connection, writable_pages: int | None = None) -> None:
    """Make an empty file a record, or bring an older record up to this version; then set the connection up.

    Args:
        db: a connection in autocommit mode that may write.
        writable_pages: how many pages the file may have, None for no limit.
    Raises:
        StoreError: the file is another program's, or a newer release's.
        sqlite3.Error: as SQLite has it.
    """
    if is_empty(db):
        _begin_file(db)
    else:
        bring_up_to_date(db)
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA wal_autocheckpoint = 1000")
    db.execute("PRAGMA cache_size = -512")
    if writable_pages is not None:
        db.execute(f"PRAGMA max_page_count = {int(writable_pages)}")


def stand_in(db: sqlite3.Connection) -> None:
    """Give a connection to an older record, which may only be read, the tables that one lacks, empty and its own."""
    db.execute("PRAGMA temp_store = MEMORY")
    version = version_of(db)
    for since, statements in TABLES_SINCE.items():
        for statement in statements if version < since else ():
            words = statement.replace("CREATE TABLE", "CREATE TEMP TABLE", 1)
            db.execute(words.replace(" REFERENCES boot", ""))  # a table of one's own can't refer to the file's


def is_empty(db: sqlite3.Connection) -> bool:
    """Tell whether there is no table in the file, of anybody."""
    return _number(db, "SELECT count(*) FROM sqlite_master") == 0


def version_of(db: sqlite3.Connection, known: int = VERSION) -> int:
    """Give the record's version, at most the one that is known.

    Raises: StoreError: the file is another program's, or a newer release's.
    """
    if _number(db, "PRAGMA application_id") != APPLICATION_ID:
        if is_empty(db):  # a service was killed in the first instant of its first start
            raise StoreError("it has nothing in it yet: start the service, which finishes it")
        raise StoreError("it is a database of another program: move it away, or name another folder")
    version = _number(db, "PRAGMA user_version")
    if version > known:
        raise StoreError(
            f"it has layout {version} and was written by a newer release; this one knows up to {known}: "
            "install the newer release, or name another folder"
        )
    return version


def bring_up_to_date(
    db: sqlite3.Connection, migrations: Mapping[int, Migration] = MIGRATIONS, target: int = VERSION
) -> None:
    """Walk a record from its version to `target`, each step whole or not at all.

    Raises: StoreError: no step starts from its version.
    """
    version = version_of(db, target)
    while version < target:
        step = migrations.get(version)
        if step is None:
            raise StoreError(f"it has layout {version}, from which no way leads to {target}: name another folder")
        version += 1
        _in_transaction(db, step, version)


def _begin_file(db: sqlite3.Connection) -> None:
    # In this order: auto_vacuum set after the first table, or after WAL, silently stays off.
    db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    db.execute(f"PRAGMA auto_vacuum = {AUTO_VACUUM_INCREMENTAL}")
    db.execute("PRAGMA journal_mode = WAL")
    _in_transaction(db, _make_tables, VERSION)


def _make_tables(db: sqlite3.Connection) -> None:
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for statement in TABLES:
        db.execute(statement)


def _in_transaction(db: sqlite3.Connection, step: Migration, version: int) -> None:
    db.execute("BEGIN IMMEDIATE")
    try:
        step(db)
        db.execute(f"PRAGMA user_version = {version}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def _number(db: sqlite3.Connection, question: str) -> int:
    row = db.execute(question).fetchone()
    return int(row[0])
