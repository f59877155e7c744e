"""The reading side: order, ranges, dates, what is damaged, and a file that changes under the reader."""

import shutil
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.clock import Anchor
from daemon.errors import StoreError
from daemon.record import Batch, RecordReader
from daemon.record.reader import CHUNK_ROWS
from servers.records import WALL_UTC_S, kill_a_writer, open_record, ten_seconds
from shared.readings import Reading

SECOND_BOOT = "b2" * 16
THIRD_BOOT = "b3" * 16


def utc(seconds: float) -> datetime:
    return datetime.fromtimestamp(WALL_UTC_S, UTC) + timedelta(seconds=seconds)


def one_a_minute(folder: Path, boot_id: str, minutes: range, *anchors: Anchor) -> None:
    record = open_record(folder, boot_id=boot_id, elapsed_s=0.0)
    for minute in minutes:
        readings = [Reading("shunt", minute * 60.0, {"bank_v": 12.0 + minute / 1000.0})]
        record.commit(Batch(readings=readings, until_s=minute * 60.0 + 1.0))
    record.commit(Batch(anchors=list(anchors)))
    record.close()


@pytest.fixture(scope="module")
def three_boots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two placed boots an hour apart with one between them that nobody placed; a reading a minute."""
    folder = tmp_path_factory.mktemp("three_boots")
    one_a_minute(folder, "b1" * 16, range(1, 201), Anchor(0, 600.0, WALL_UTC_S + 600.0, 0.1, "kernel"))
    one_a_minute(folder, SECOND_BOOT, range(1, 11))
    one_a_minute(folder, THIRD_BOOT, range(1, 101), Anchor(0, 60.0, WALL_UTC_S + 20_060.0, 0.1, "operator"))
    return folder


def minutes(reader: RecordReader, **limits: object) -> list[tuple[int, int]]:
    return [(boot, round(reading.at_s / 60.0)) for boot, reading in reader.readings(**limits)]  # type: ignore[arg-type]


def test_readings_come_in_order_over_boots_and_chunks(three_boots: Path) -> None:
    assert CHUNK_ROWS < 200  # so that the first boot takes several chunks
    everything = [(1, n) for n in range(1, 201)] + [(2, n) for n in range(1, 11)] + [(3, n) for n in range(1, 101)]
    with RecordReader(three_boots) as reader:
        assert minutes(reader) == everything
        assert minutes(reader, quantity="bank_v") == everything
        assert minutes(reader, quantity="bank_a") == []
        assert minutes(reader, instrument="controller") == []


@pytest.mark.parametrize(
    ("since", "until", "first", "last"),
    [
        ((1, 7200.0), (1, 7260.0), (1, 120), (1, 120)),
        ((1, 7200.001), (1, 7260.001), (1, 121), (1, 121)),
        ((1, 11_940.0), (2, 120.0), (1, 199), (2, 1)),
        (None, (1, 61.0), (1, 1), (1, 1)),
        ((3, 5940.0), None, (3, 99), (3, 100)),
        ((2, 0.0), (2, float("inf")), (2, 1), (2, 10)),
        (utc(7200.0), utc(7260.0), (1, 120), (1, 120)),
        (utc(11_940.0), utc(20_120.0), (1, 199), (3, 1)),  # what nobody placed lies between its neighbours
        (utc(-1e6), utc(61.0), (1, 1), (1, 1)),
    ],
)
def test_a_range_holds_its_beginning_and_not_its_end(
    three_boots: Path,
    since: tuple[int, float] | datetime | None,
    until: tuple[int, float] | datetime | None,
    first: tuple[int, int],
    last: tuple[int, int],
) -> None:
    with RecordReader(three_boots) as reader:
        found = minutes(reader, since=since, until=until)
        everything = minutes(reader)
    assert found == everything[everything.index(first) : everything.index(last) + 1]


def test_a_range_before_everything_is_empty_and_one_without_time_zone_refused(three_boots: Path) -> None:
    with RecordReader(three_boots) as reader:
        assert minutes(reader, until=utc(-1.0)) == []
        with pytest.raises(ValueError, match="no time zone"):
            minutes(reader, since=datetime(2026, 6, 1))


def test_a_reading_that_waited_for_its_commit_is_found_at_its_own_time(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    record.commit(ten_seconds(100.0))
    waited = ten_seconds(110.0)
    waited.absorb(ten_seconds(5000.0))  # nothing could be stored for more than an hour
    record.commit(waited)
    record.close()
    with RecordReader(tmp_path) as reader:
        found = list(reader.readings("shunt", since=(1, 105.0), until=(1, 115.0)))
    assert [placed.reading.at_s for placed in found] == [float(second) for second in range(105, 115)]


def test_the_newest_of_each_instrument_is_found_also_when_one_has_been_silent(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    record.commit(ten_seconds(100.0))
    for second in range(200, 300):
        record.commit(Batch(readings=[Reading("shunt", float(second), {"bank_v": 12.5})], until_s=float(second)))
    with RecordReader(tmp_path) as reader:
        latest = reader.latest()
        assert {name: (placed.boot, placed.reading.at_s) for name, placed in latest.items()} == {
            "shunt": (1, 299.0),
            "controller": (1, 109.5),
        }
        assert reader.newest_s() == (1, 299.0)
    record.close()


def test_an_empty_record_has_nothing_and_says_so(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    with RecordReader(tmp_path) as reader:
        assert (list(reader.readings()), reader.latest(), reader.newest_s(), reader.alert_events()) == (
            [],
            {},
            None,
            [],
        )
        assert (reader.notices(), reader.entries(), reader.newest_anchor(), reader.utc_of(1, 0.0)) == (
            [],
            [],
            None,
            None,
        )


def test_notices_come_after_the_last_one_dealt_with_a_few_at_a_time(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    with RecordReader(tmp_path) as reader:
        record.commit(Batch(notices=[{"n": n} for n in range(5)], until_s=101.0))
        assert [notice.body["n"] for notice in reader.notices(2, 2)] == [2, 3]
        record.commit(Batch(notices=[{"n": 5}], until_s=102.0))
        assert [notice.id for notice in reader.notices(after_id=4)] == [5, 6]
    record.close()


# -- dates ---------------------------------------------------------------------------------------


def test_a_boot_is_placed_by_its_anchors_and_by_nothing_else(three_boots: Path) -> None:
    with RecordReader(three_boots) as reader:
        assert reader.utc_of(1, 0.0) == WALL_UTC_S
        assert reader.utc_of(1, 9000.0) == WALL_UTC_S + 9000.0
        assert reader.utc_of(2, 30.0) is None
        assert reader.utc_of(3, 60.0) == WALL_UTC_S + 20_060.0
        newest = reader.newest_anchor()
        assert newest is not None
        assert newest.source == "operator"


def test_an_anchor_that_comes_later_places_what_is_already_there_without_touching_it(tmp_path: Path) -> None:
    record = open_record(tmp_path, wall_utc_s=0.0)
    record.commit(ten_seconds(100.0))
    with RecordReader(tmp_path) as reader:
        assert reader.utc_of(1, 105.0) is None
        rows = reader._opened.ask("SELECT k, row FROM tail")
        record.commit(Batch(anchors=[Anchor(0, 200.0, WALL_UTC_S, 0.1, "kernel")]))
        assert reader.utc_of(1, 105.0) == WALL_UTC_S - 95.0
        assert reader._opened.ask("SELECT k, row FROM tail") == rows
    record.close()


# -- damage --------------------------------------------------------------------------------------


def test_a_damaged_row_is_left_out_and_told_the_others_are_read(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    for start_s in (100.0, 110.0, 120.0):
        record.commit(ten_seconds(start_s))
    record.close()
    db = sqlite3.connect(tmp_path / "record.db")
    (key, row) = db.execute("SELECT k, row FROM tail LIMIT 1 OFFSET 1").fetchone()
    damaged = row[:20] + bytes([row[20] ^ 4]) + row[21:]
    db.execute("UPDATE tail SET row = ? WHERE k = ?", (damaged, key))
    db.commit()
    db.close()
    with RecordReader(tmp_path) as reader:
        assert len(list(reader.readings())) == 22
        assert reader.damaged == {key}
    with RecordReader(tmp_path) as reader:
        assert reader.check_rows() == 3
        assert reader.damaged == {key}


def test_a_record_killed_in_its_first_instant_is_told_from_another_programs_database(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "record.db")
    db.execute("PRAGMA auto_vacuum = 2")
    db.execute("PRAGMA journal_mode = WAL")
    db.close()
    with pytest.raises(StoreError, match="nothing in it yet: start the service"):
        RecordReader(tmp_path)


def test_what_is_no_record_says_so_with_a_way_out(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"there is no record at .*record.db: start the service once, or .*--store"):
        RecordReader(tmp_path)
    (tmp_path / "record.db").write_bytes(b"x" * 5000)
    with pytest.raises(StoreError, match=r"is no record, or a damaged one .*SQLITE_NOTADB.*--store FILE"):
        RecordReader(tmp_path)


# -- a file that changes -------------------------------------------------------------------------


def test_an_open_reader_follows_a_service_that_starts_commits_stops_and_begins_anew(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    with RecordReader(tmp_path) as reader:
        assert not reader.live
        record = open_record(tmp_path)
        record.commit(ten_seconds(100.0))
        assert len(list(reader.readings())) == 11
        assert reader.live
        record.commit(ten_seconds(110.0))
        assert len(list(reader.readings())) == 22
        record.close()
        assert len(list(reader.readings())) == 22
        for path in list(tmp_path.iterdir()):
            path.rename(tmp_path / f"old-{path.name}")
        record = open_record(tmp_path, boot_id=SECOND_BOOT)
        record.commit(Batch(readings=[Reading("new", 100.0, {"bank_v": 12.0})], until_s=100.0))
        assert [placed.reading.instrument for placed in reader.readings()] == ["new"]
        record.close()


def test_a_reader_of_a_stopped_record_notices_a_service_that_came_and_went(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    with RecordReader(tmp_path) as reader:
        assert list(reader.readings()) == []
        record = open_record(tmp_path)
        record.commit(ten_seconds(100.0))
        record.close()
        assert len(list(reader.readings())) == 11
        assert not reader.live


def test_reading_a_stopped_record_leaves_nothing_beside_it(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    with RecordReader(tmp_path) as reader:
        list(reader.readings())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["record.db", "record.lock"]


def test_a_slow_reader_holds_no_transaction_that_would_keep_the_log_growing(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    for start_s in range(100, 100 + 10 * (CHUNK_ROWS + 1), 10):
        record.commit(ten_seconds(float(start_s)))
    with RecordReader(tmp_path) as reader:
        found = reader.readings()
        next(found)
        # SQLite documentation, PRAGMA wal_checkpoint: first column 0 when no reader was in the way.
        busy, _, _ = record._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        assert busy == 0
        assert len(list(found)) == 11 * (CHUNK_ROWS + 1) - 1
    record.close()


def test_a_copy_answers_as_well_by_its_own_name(tmp_path: Path) -> None:
    kill_a_writer(tmp_path / "state")
    open_record(tmp_path / "state", elapsed_s=130.0).close()
    copy = tmp_path / "a ?copy#1.db"
    shutil.copy(tmp_path / "state" / "record.db", copy)
    with RecordReader(copy) as reader:
        assert not reader.live
        assert len(list(reader.readings())) == 11


def test_size_counts_file_log_and_rows(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    record.commit(ten_seconds(100.0))
    with RecordReader(tmp_path) as reader:
        size = reader.size()
        assert size.rows == 1
        assert size.file_bytes == (tmp_path / "record.db").stat().st_size
        assert size.log_bytes == (tmp_path / "record.db-wal").stat().st_size > 4096
        assert size.disk_free_bytes > 0
    record.close()


def test_commits_come_in_the_order_they_were_made_however_old_their_readings(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    for at_s, until_s in ((10.0, 11.0), (300.0, 301.0), (20.0, 302.0)):  # the last one was held up
        record.commit(Batch(readings=[Reading("shunt", at_s, {"bank_v": 12.5})], until_s=until_s))
    record.close()
    record = open_record(tmp_path, boot_id=SECOND_BOOT, elapsed_s=0.0)
    record.commit(Batch(readings=[Reading("shunt", 5.0, {"bank_v": 12.6})], until_s=5.0))
    record.close()
    with RecordReader(tmp_path) as reader:
        made = [(ms, [reading.at_s for reading in readings]) for ms, readings in reader.commits(1)]
        assert made == [(11_000, [10.0]), (301_000, [300.0]), (302_000, [20.0])]
        assert [ms for ms, _ in reader.commits(1, 11_000)] == [301_000, 302_000]
        assert [ms for ms, _ in reader.commits(2)] == [5_000]
        assert list(reader.commits(3)) == list(reader.commits(1, (1 << 40) - 1)) == []
        counts = [reader.commit_count(*which) for which in ((1,), (1, 11_000), (1, -1, 2), (2,), (3,))]
    assert counts == [3, 2, 2, 1, 0]
