"""The writer's side: one transaction a commit, boots, what a restart finds, what can't be opened."""

import os
import sqlite3
import stat
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.clock import Anchor
from daemon.errors import StoreBusy, StoreError
from daemon.record import Batch, Boot, Channel, Entry, Record, RecordReader
from daemon.record.layout import APPLICATION_ID
from servers.records import BOOT, WALL_UTC_S, kill_a_writer, open_record, ten_seconds
from shared.readings import Reading


@dataclass(frozen=True)
class Change:
    alert: str = "half-mark"
    rule: str = "half-mark"
    state: str = "raised"
    at_s: float = 104.5
    value: float | None = 0.61
    limit: float | None = 0.5
    severity: str = "act"
    why: str = "value"


@dataclass(frozen=True)
class Letter:
    at_s: float = 104.5
    subject: str = "half mark"


def raw(folder: Path, question: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(f"file:{folder / 'record.db'}?mode=ro", uri=True)
    try:
        return db.execute(question).fetchall()
    finally:
        db.close()


def test_one_commit_is_one_row_with_everything_that_belongs_to_it(tmp_path: Path) -> None:
    batch = ten_seconds(100.0)
    batch.events.append(Change())
    batch.notices += [Letter(), {"subject": "another", "at_s": 105}]
    batch.state["station"] = {"soc": 0.75, "nested": {"one": [1, None]}}
    batch.anchors.append(Anchor(0, 101.0, WALL_UTC_S, 0.1, "kernel"))
    batch.entries.append(Entry(103.0, "warden", "note", "lid was open"))
    record = open_record(tmp_path)
    record.commit(batch)
    assert raw(tmp_path, "SELECT count(*), min(k) FROM tail") == [(1, 1 << 40 | 110_000)]
    with RecordReader(tmp_path) as reader:
        assert [placed.reading for placed in reader.readings()] == batch.readings
        (event,) = reader.alert_events()
        assert event[:9] == (1, 1, 104.5, "half-mark", "half-mark", "raised", 0.61, 0.5, "act")
        assert event.body["why"] == "value"
        assert [(n.id, n.at_s, n.body["subject"]) for n in reader.notices()] == [
            (1, 104.5, "half mark"),
            (2, 105.0, "another"),
        ]
        assert reader.saved("station") == (1, 110.0, {"soc": 0.75, "nested": {"one": [1, None]}})
        assert reader.anchors() == [Anchor(1, 101.0, WALL_UTC_S, 0.1, "kernel")]
        assert reader.entries() == [(1, 1, 103.0, "warden", "note", "lid was open")]
    assert record.newest_anchor == Anchor(1, 101.0, WALL_UTC_S, 0.1, "kernel")
    record.close()


def test_the_file_has_the_settings_that_can_only_be_given_before_the_first_table(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    assert raw(tmp_path, "PRAGMA page_size") == [(4096,)]
    assert raw(tmp_path, "PRAGMA auto_vacuum") == [(2,)]
    assert raw(tmp_path, "PRAGMA journal_mode") == [("wal",)]
    assert raw(tmp_path, "PRAGMA user_version") == [(4,)]
    assert raw(tmp_path, "PRAGMA application_id") == [(APPLICATION_ID,)]


def test_each_commit_waits_until_it_is_on_the_disk(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    # SQLite documentation, PRAGMA synchronous: 2 is FULL; in WAL mode only FULL syncs the log at each commit.
    assert record._db.execute("PRAGMA synchronous").fetchone() == (2,)
    record.close()


def test_files_and_folder_are_readable_by_the_group_and_nobody_else_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        record = open_record(tmp_path / "new" / "state")
    finally:
        os.umask(before)
    record.commit(ten_seconds(100.0))
    folder = tmp_path / "new" / "state"
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
    assert modes == dict.fromkeys(("record.db", "record.db-wal", "record.db-shm", "record.lock"), 0o640)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o750
    record.close()


def test_an_empty_batch_writes_nothing(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    before = record._db.total_changes
    record.commit(Batch(until_s=120.0))
    assert record._db.total_changes == before
    record.close()


def test_a_state_is_replaced_and_one_that_is_not_in_the_batch_stays(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    record.commit(Batch(state={"filter": {"n": 1}, "alerts": {"n": 1}}, until_s=110.0))
    record.commit(Batch(state={"filter": {"n": 2}}, until_s=120.0))
    record.close()
    with RecordReader(tmp_path) as reader:
        assert reader.saved("filter") == (1, 120.0, {"n": 2})
        assert reader.saved("alerts") == (1, 110.0, {"n": 1})
        assert reader.state("never") is None


def test_a_batch_that_fails_half_way_leaves_nothing_behind_and_can_be_committed_later(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    batch = ten_seconds(100.0)
    batch.state["filter"] = {"bad": object()}
    with pytest.raises(TypeError):
        record.commit(batch)
    assert raw(tmp_path, "SELECT count(*) FROM tail") == [(0,)]
    assert raw(tmp_path, "SELECT count(*) FROM channel") == [(0,)]
    batch.state["filter"] = {"good": 1}
    batch.absorb(ten_seconds(110.0))
    record.commit(batch)
    record.close()
    with RecordReader(tmp_path) as reader:
        assert len(list(reader.readings())) == 22


# -- boots ---------------------------------------------------------------------------------------


def test_the_same_boot_goes_on_and_another_one_counts_up(tmp_path: Path) -> None:
    for boot_id, elapsed_s, number in ((BOOT, 100.0, 1), (BOOT, 300.0, 1), ("c0" * 16, 5.0, 2), (BOOT, 400.0, 3)):
        record = open_record(tmp_path, boot_id=boot_id, elapsed_s=elapsed_s)
        assert record.boot == Boot(number, boot_id)
        record.commit(ten_seconds(elapsed_s))
        record.close()
    with RecordReader(tmp_path) as reader:
        assert [(entry.number, entry.first_s) for entry in reader.boots()] == [(1, 100.0), (2, 5.0), (3, 400.0)]
        assert reader.boots()[0].wall_utc_s == WALL_UTC_S
        assert [placed.boot for placed in reader.readings(instrument="controller")] == [1, 1, 2, 3]
        assert (reader.boot_number(BOOT), reader.boot_number("c0" * 16), reader.boot_number("ff")) == (3, 2, None)


def test_a_clock_that_starts_over_under_the_same_id_is_a_boot_of_its_own(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=1000.0)
    record.commit(ten_seconds(1000.0))
    record.close()
    record = open_record(tmp_path, elapsed_s=3.0)
    assert record.boot.number == 2
    record.close()


def test_keys_never_collide_however_fast_the_commits_come(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    for _ in range(5):
        record.commit(Batch(readings=[Reading("shunt", 110.0, {"bank_v": 13.2})], until_s=110.0))
    record.close()
    record = open_record(tmp_path, elapsed_s=110.001)  # the keys have run ahead of the clock by then
    assert record.boot.number == 1
    record.commit(Batch(readings=[Reading("shunt", 110.001, {"bank_v": 13.3})], until_s=110.005))
    record.close()
    assert [key & 0xFFFFFFFFFF for (key,) in raw(tmp_path, "SELECT k FROM tail ORDER BY k")] == list(  # type: ignore[operator]
        range(110_000, 110_006)
    )
    with RecordReader(tmp_path) as reader:
        assert [placed.reading.at_s for placed in reader.readings()] == [110.0] * 5 + [110.001]


def test_a_killed_writer_loses_nothing_it_has_committed(tmp_path: Path) -> None:
    kill_a_writer(tmp_path)
    record = open_record(tmp_path, elapsed_s=130.0)
    assert record.boot.number == 1
    with RecordReader(tmp_path) as reader:
        assert [placed.reading for placed in reader.readings()] == ten_seconds(100.0).readings
    record.close()


# -- what can't be opened ------------------------------------------------------------------------


def test_a_second_service_is_refused_and_told_who_has_it(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    with pytest.raises(StoreBusy, match=rf"{tmp_path} is in use by another halfmark, process {os.getpid()}:"):
        open_record(tmp_path)
    record.close()
    open_record(tmp_path).close()


def test_a_record_locked_by_another_program_says_so_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.record.writer.LOCKED_WAIT_S", 0.05)
    record = open_record(tmp_path)
    meddler = sqlite3.connect(tmp_path / "record.db", isolation_level=None)
    meddler.execute("BEGIN IMMEDIATE")
    batch = ten_seconds(100.0)
    with pytest.raises(StoreBusy, match="locked by another program"):
        record.commit(batch)
    meddler.execute("ROLLBACK")
    meddler.close()
    record.commit(batch)
    record.close()
    with RecordReader(tmp_path) as reader:
        assert len(list(reader.readings())) == 11


@pytest.mark.parametrize("damage", ["rubbish", "half a header", "broken pages"])
def test_a_damaged_file_is_set_aside_with_its_log_and_a_new_one_begun(tmp_path: Path, damage: str) -> None:
    kill_a_writer(tmp_path)
    file = tmp_path / "record.db"
    (tmp_path / "record.db-wal").unlink()
    good = open_record(tmp_path, elapsed_s=120.0)
    good.commit(ten_seconds(120.0))
    good.close()
    whole = file.read_bytes()
    file.write_bytes(
        {
            "rubbish": b"x" * 5000,
            "half a header": whole[:50],
            "broken pages": whole[:100] + b"\xff" * (len(whole) - 100),
        }[damage]
    )
    before = file.read_bytes()
    record = open_record(tmp_path, elapsed_s=140.0)
    assert record.set_aside == tmp_path / "record.db.damaged-2026-05-28"
    assert record.set_aside.read_bytes() == before
    record.commit(ten_seconds(140.0))
    record.close()
    file.write_bytes(b"y" * 5000)
    again = open_record(tmp_path, elapsed_s=160.0)
    assert again.set_aside == tmp_path / "record.db.damaged-2026-05-28-1"
    again.close()


@pytest.mark.parametrize("table", ["tail", "state"])
def test_a_page_found_damaged_while_running_is_told_and_the_file_set_aside_at_the_next_start(
    tmp_path: Path, table: str
) -> None:
    record = open_record(tmp_path)
    for n in range(50):
        record.commit(ten_seconds(100.0 + 10.0 * n))
    record.close()
    (page,) = raw(tmp_path, f"SELECT rootpage FROM sqlite_master WHERE name = '{table}'")[0]
    with (tmp_path / "record.db").open("r+b") as file:
        file.seek((int(str(page)) - 1) * 4096)
        file.write(b"\xa5" * 4096)
    try:
        record = open_record(tmp_path, elapsed_s=700.0)
    except StoreError as why:
        raise AssertionError("a damaged record keeps the service from starting") from why
    if record.set_aside is None:  # nothing has looked at that page yet
        batch = ten_seconds(700.0)
        batch.state["filter"] = {"n": 1}
        with pytest.raises(StoreError, match=r"record.db is damaged .*restart the service, which sets it aside"):
            record.commit(batch)
        record.close()
        record = open_record(tmp_path, elapsed_s=700.0)
        record.commit(batch)
    assert record.set_aside is not None
    assert record.boot.number == 1
    record.close()
    assert not (tmp_path / "record.damaged").exists()


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "record.db")
    db.execute("CREATE TABLE birds (name TEXT)")
    db.close()
    before = (tmp_path / "record.db").read_bytes()
    for opening in (open_record, RecordReader):
        with pytest.raises(StoreError, match=r"record.db can't be used: it is a database of another program: move it"):
            opening(tmp_path)
    assert (tmp_path / "record.db").read_bytes() == before


def test_a_newer_releases_record_is_left_alone(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    db = sqlite3.connect(tmp_path / "record.db")
    db.execute("PRAGMA user_version = 7")
    db.close()
    for opening in (open_record, RecordReader):
        with pytest.raises(StoreError, match="has layout 7 and was written by a newer release; .* up to 4"):
            opening(tmp_path)


def test_a_file_left_by_a_kill_before_its_first_table_is_finished(tmp_path: Path) -> None:
    file = tmp_path / "record.db"
    file.touch()
    open_record(tmp_path).close()
    file.unlink()
    db = sqlite3.connect(file, isolation_level=None)
    db.execute("PRAGMA page_size = 4096")
    db.execute("PRAGMA auto_vacuum = 2")
    db.execute("PRAGMA journal_mode = WAL")
    db.close()
    record = open_record(tmp_path)
    assert record.set_aside is None
    record.close()
    assert raw(tmp_path, "PRAGMA auto_vacuum") == [(2,)]


def test_an_unknown_group_is_told_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="groupadd no-such-group"):
        open_record(tmp_path, group="no-such-group")


def test_a_channel_may_be_kept_in_another_step(tmp_path: Path) -> None:
    record = Record.open(
        tmp_path, boot_id=BOOT, elapsed_s=1.0, wall_utc_s=0.0, channels=[Channel("shunt", "bank_v", 0.1)]
    )
    record.commit(ten_seconds(100.0))
    record.close()
    with RecordReader(tmp_path) as reader:
        assert {placed.reading.values["bank_v"] for placed in reader.readings("shunt", "bank_v")} == {13.2}
        assert [entry.step for entry in reader.channels() if entry.quantity == "bank_v"] == [0.1]
