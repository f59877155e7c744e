"""The way from one layout to the next: every step whole or not at all, and tried with an invented one."""

import gzip
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.errors import StoreError
from daemon.record import Record, RecordReader
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


# -- a record written by the release that had layout 1 ---------------------------------------------

LAYOUT_1 = Path(__file__).with_name("layout-1.db.gz")  # two boots, 50 commits of ten seconds, one suspect


@pytest.fixture
def of_layout_1(tmp_path: Path) -> Path:
    (tmp_path / "record.db").write_bytes(gzip.decompress(LAYOUT_1.read_bytes()))
    return tmp_path


def told(folder: Path) -> tuple[object, ...]:
    with RecordReader(folder) as reader:
        return (
            list(reader.readings()),
            [(number, readings) for number, readings in reader.commits(1)] if reader.newest_s() else [],
            reader.newest_s(),
            reader.boots()[:2],
            reader.anchors(),
            reader.entries(),
            reader.notices(),
            reader.state("station"),
        )


def test_a_record_of_layout_1_is_read_as_it_is(of_layout_1: Path) -> None:
    readings, _, newest_s, boots, anchors, entries, notices, state = told(of_layout_1)
    assert isinstance(readings, list)
    assert len(readings) == 550
    assert readings[55].reading.values == {"bank_v": 13.205}
    assert readings[55].reading.suspect == {"bank_a": "over its range"}
    assert readings[55].reading.missing == ("bank_c",)
    assert (newest_s, state) == ((2, 200.0), {"n": 3})
    assert isinstance(boots, list)
    assert [boot.boot_id for boot in boots] == ["a1" * 16, "b2" * 16]
    assert [len(str(kind)) > 2 for kind in (anchors, entries, notices)] == [True] * 3
    with RecordReader(of_layout_1) as reader:
        assert reader.sweep().rows == 50


def test_a_record_of_layout_1_is_brought_up_to_date_and_then_sealed_without_losing_anything(of_layout_1: Path) -> None:
    before = told(of_layout_1)
    with RecordReader(of_layout_1) as follower:
        assert len(list(follower.readings())) == 550
        record = Record.open(of_layout_1, boot_id="c3" * 16, elapsed_s=10.0, wall_utc_s=0.0)
        assert record.boot.number == 3
        assert told(of_layout_1) == before
        record.seal_all(20.0)
        after = told(of_layout_1)
        assert after[0] == before[0]
        assert after[3:] == before[3:]
        assert record.sealed.hours == 2
        assert len(list(follower.readings())) == 550  # an open reader sees the new layout as well
        record.close()
    with sqlite3.connect(of_layout_1 / "record.db") as db:
        assert db.execute("SELECT count(*) FROM tail").fetchone() == (0,)
    db.close()


# -- a record written by the release that had layout 2 ---------------------------------------------

LAYOUT_2 = Path(__file__).with_name("layout-2.db.gz")  # two boots, 9,956 readings, two hours of them sealed


@pytest.fixture
def of_layout_2(tmp_path: Path) -> Path:
    (tmp_path / "record.db").write_bytes(gzip.decompress(LAYOUT_2.read_bytes()))
    return tmp_path


def test_a_record_of_layout_2_is_read_as_it_is_sealed_rows_too(of_layout_2: Path) -> None:
    readings, _, newest_s, boots, anchors, entries, _, state = told(of_layout_2)
    assert isinstance(readings, list) and isinstance(boots, list)
    assert (len(readings), newest_s, state) == (9956, (2, 150.0), {"n": 7200})
    assert [boot.boot_id for boot in boots] == ["a1" * 16, "b2" * 16]
    assert [len(list(kind)) for kind in (anchors, entries)] == [3, 3]  # type: ignore[call-overload]
    with RecordReader(of_layout_2) as reader:
        swept = reader.sweep()
        assert swept.is_whole and swept.rows == 223


def test_a_record_of_layout_2_is_brought_up_to_date_without_losing_anything(of_layout_2: Path) -> None:
    before = told(of_layout_2)
    with RecordReader(of_layout_2) as follower:
        assert len(list(follower.readings())) == 9956
        record = Record.open(of_layout_2, boot_id="c3" * 16, elapsed_s=10.0, wall_utc_s=0.0)
        assert told(of_layout_2) == before
        assert follower.readings(since=(2, 0.0))
        record.close()
    db = sqlite3.connect(of_layout_2 / "record.db")
    assert db.execute("PRAGMA user_version").fetchone() == (VERSION,)
    assert db.execute("SELECT (SELECT count(*) FROM run) + (SELECT count(*) FROM day)").fetchone() == (0,)
    db.close()


# -- a record written by the release that had layout 3 ---------------------------------------------

LAYOUT_3 = Path(__file__).with_name("layout-3.db.gz")  # two sealed hours, of which a chunk of values was set aside


def test_a_record_of_layout_3_is_brought_up_to_date_and_says_what_was_set_aside_in_it(tmp_path: Path) -> None:
    (tmp_path / "record.db").write_bytes(gzip.decompress(LAYOUT_3.read_bytes()))
    before = told(tmp_path)
    assert isinstance(before[0], list) and len(before[0]) == 1430
    with RecordReader(tmp_path) as follower:
        assert follower.sweep().is_whole and follower.set_aside() == []
        Record.open(tmp_path, boot_id="c3" * 16, elapsed_s=10.0, wall_utc_s=0.0).close()
        assert told(tmp_path)[:3] == before[:3]
        (aside,) = follower.set_aside()
        assert follower.sweep().is_whole
    # The first hour of the first channel; how many values it had, that release did not write down.
    assert aside == ("piece", 1 << 40 | 1 << 2, "values", "shunt", "bank_v", 1, 100.0, 3589.0, None)
