"""The way from one layout to the next: every step whole or not at all, and tried with an invented one."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.errors import StoreError
from daemon.record.layout import MIGRATIONS, VERSION, bring_up_to_date, prepare, version_of


@pytest.fixture
def db(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(tmp_path / "record.db", isolation_level=None)
    prepare(connection)
    connection.execute("INSERT INTO instrument VALUES (1, 'shunt')")
    yield connection
    connection.close()


def add_maker(db: sqlite3.Connection) -> None:
    db.execute("ALTER TABLE instrument ADD COLUMN maker TEXT NOT NULL DEFAULT 'unknown'")


def fail_half_way(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE half (id INTEGER)")
    db.execute("DELETE FROM instrument")
    raise sqlite3.OperationalError("power cut")


def test_every_earlier_layout_has_its_step() -> None:
    assert set(MIGRATIONS) == set(range(1, VERSION))


def test_steps_run_in_order_and_keep_what_is_there(db: sqlite3.Connection) -> None:
    steps = {VERSION: add_maker, VERSION + 1: lambda db: db.execute("UPDATE instrument SET maker = 'own'") and None}
    bring_up_to_date(db, steps, VERSION + 2)
    assert db.execute("SELECT id, name, maker FROM instrument").fetchall() == [(1, "shunt", "own")]
    assert db.execute("PRAGMA user_version").fetchone() == (VERSION + 2,)


def test_a_step_that_fails_leaves_the_older_layout_whole_and_can_be_tried_again(db: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.OperationalError, match="power cut"):
        bring_up_to_date(db, {VERSION: add_maker, VERSION + 1: fail_half_way}, VERSION + 2)
    assert db.execute("PRAGMA user_version").fetchone() == (VERSION + 1,)
    assert db.execute("SELECT maker FROM instrument").fetchall() == [("unknown",)]
    assert db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)
    bring_up_to_date(db, {VERSION + 1: lambda db: None}, VERSION + 2)
    assert db.execute("PRAGMA user_version").fetchone() == (VERSION + 2,)


def test_a_layout_without_a_way_on_is_refused(db: sqlite3.Connection) -> None:
    with pytest.raises(StoreError, match=f"layout {VERSION}, from which no way leads to {VERSION + 1}"):
        bring_up_to_date(db, {}, VERSION + 1)


def test_opening_twice_changes_nothing(db: sqlite3.Connection) -> None:
    before = db.total_changes
    prepare(db)
    assert version_of(db) == VERSION
    assert db.total_changes == before
