"""Room: the oldest readings go first, hours stay; a full disk is got out of, also at the start."""

import os
import signal
import sqlite3
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from daemon.errors import StoreFull
from daemon.record import Batch, Record, RecordReader, pages_of
from daemon.record import room as rooms
from daemon.record.room import BALLAST_BYTES, BALLAST_NAME, BALLAST_NEEDS_BYTES, holders_of
from servers.apart import mount_small, run_apart
from servers.records import open_folder, open_record, ten_seconds
from shared.readings import Reading

HOUR_S = 3600.0
DISK_BYTES = 12 << 20


@pytest.fixture
def folder() -> Iterator[Path]:
    with open_folder() as outer:
        yield outer


def noisy_hours(record: Record, hours: range) -> None:
    """Hours that take much room: no value is like another."""
    for hour in hours:
        readings = [
            Reading("shunt", hour * HOUR_S + 10.0 * n, {"bank_ah_counter": hash((hour, n)) % 10**9 / 1000.0})
            for n in range(360)
        ]
        record.commit(Batch(readings=readings, until_s=(hour + 1) * HOUR_S))


def test_within_its_budget_the_oldest_raw_goes_then_minutes_and_hours_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept_blocks, pages = 4, 80
    monkeypatch.setattr("daemon.record.room.RAW_KEPT_BLOCKS", kept_blocks)
    record = open_record(tmp_path, elapsed_s=0.0, pages_most=pages)
    raw_first = False
    for hour in range(0, 360, 6):
        noisy_hours(record, range(hour, hour + 6))
        record.seal_all((hour + 6) * HOUR_S + 61.0)
        assert rooms.used_pages(record._db) <= pages
        (minute,) = record._db.execute("SELECT min(k) FROM minute").fetchone()
        raw_first |= record.dropped_blocks > 5 and minute == 1 << 40 | 1 << 2 | 1  # of hour 0, channel 1
    assert raw_first
    assert (tmp_path / "record.db").stat().st_size <= pages * 4096
    (oldest_minute,) = record._db.execute("SELECT min(k) FROM minute").fetchone()
    assert oldest_minute >> 21 & 0x7FFFF > 0
    with RecordReader(tmp_path) as reader:
        assert reader.sweep().is_whole
        readings = [placed.reading.at_s for placed in reader.readings()]
        assert readings[-1] == 360 * HOUR_S - 10.0
        assert kept_blocks * 6 * HOUR_S <= readings[-1] + 10.0 - readings[0] < 180 * HOUR_S
        hours = [bucket.at_s for bucket in reader.rollups("shunt", "bank_ah_counter", step="hour")]
        assert hours == [n * HOUR_S for n in range(360)]
    assert record.room is not None
    assert 0.5 < record.room.used_share <= 1.0
    record.close()


def test_a_smaller_budget_makes_the_file_smaller(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    noisy_hours(record, range(240))
    record.seal_all(241 * HOUR_S)
    record.close()
    before = (tmp_path / "record.db").stat().st_size // 4096
    record = open_record(tmp_path, elapsed_s=241 * HOUR_S, pages_most=before // 2)
    record.seal_all(241.1 * HOUR_S)
    record.commit(ten_seconds(241.2 * HOUR_S))
    record.close()
    assert (tmp_path / "record.db").stat().st_size // 4096 <= before // 2


def test_a_budget_in_mb_is_whole_pages_and_none_is_none() -> None:
    assert pages_of(512.0) == 125_000
    assert pages_of(None) is None


# -- a full disk ---------------------------------------------------------------------------------


def fill(folder: Path, name: str = "others") -> Path:
    path = folder / name
    with path.open("ab", buffering=0) as file:
        for piece in (65536, 4096, 1):
            try:
                while file.write(b"\0" * piece):
                    pass
            except OSError:
                continue
    assert os.statvfs(folder).f_bavail == 0
    return path


def test_the_ballast_is_made_and_really_takes_its_room(folder: Path) -> None:
    def work() -> None:
        mount_small(folder, DISK_BYTES)
        record = open_record(folder)
        record.seal_all(100.0)
        ballast = folder / BALLAST_NAME
        assert ballast.stat().st_size == BALLAST_BYTES
        assert ballast.stat().st_blocks * 512 >= BALLAST_BYTES
        record.close()

    run_apart(work, own_mounts=True)


def test_no_ballast_is_made_when_there_is_little_room(folder: Path) -> None:
    def work() -> bool:
        mount_small(folder, BALLAST_NEEDS_BYTES - 4096)
        return rooms.make_ballast(folder)

    assert not run_apart(work, own_mounts=True)


def log_on_full_disk(folder: Path) -> tuple[int, int]:
    """Others fill the disk while the service runs: it goes on for hours on the ballast and its own old readings."""
    mount_small(folder, DISK_BYTES)
    record = open_record(folder, elapsed_s=0.0)
    noisy_hours(record, range(48))
    record.seal_all(48.1 * HOUR_S)
    assert record.room is not None
    assert record.room.ballast
    others = fill(folder)
    stored = 0
    start_s = 48.2 * HOUR_S
    for n in range(3000):
        fill(folder)
        record.commit(ten_seconds(start_s + 10.0 * n))
        stored += 1
        while record.tend(start_s + 10.0 * n + 10.0):
            pass
    assert not (folder / BALLAST_NAME).exists()
    with RecordReader(folder) as reader:
        found = [round(p.reading.at_s) for p in reader.readings("shunt", since=(1, start_s))]
        assert found == list(range(round(start_s), round(start_s) + 10 * stored))
    dropped = record.dropped_blocks
    others.unlink()
    record.seal_all(start_s + 31_000.0)
    assert (folder / BALLAST_NAME).exists()
    record.close()
    return stored, dropped


def test_on_a_disk_filled_by_others_logging_goes_on_and_the_ballast_comes_back(folder: Path) -> None:
    stored, dropped = run_apart(partial(log_on_full_disk, folder), own_mounts=True)
    assert stored == 3000
    assert dropped > 0


@pytest.mark.parametrize("killed", [False, True])
def test_a_start_at_0_bytes_free_reads_and_logs_on_with_the_ballast(folder: Path, killed: bool) -> None:
    def work() -> list[int]:
        mount_small(folder, DISK_BYTES)

        def live() -> None:
            record = open_record(folder, elapsed_s=0.0)
            record.commit(ten_seconds(0.0))
            record.seal_all(20.0)
            if not killed:
                record.close()

        run_apart(live)  # its end closes nothing, as kill -9 does
        assert (folder / BALLAST_NAME).exists()
        fill(folder)
        with RecordReader(folder) as reader:
            assert len(list(reader.readings())) == 11
            assert not reader.log_left_out
        record = open_record(folder, elapsed_s=30.0)
        assert not (folder / BALLAST_NAME).exists()
        record.commit(ten_seconds(30.0))
        with RecordReader(folder) as reader:
            found = [round(p.reading.at_s) for p in reader.readings("shunt")]
        record.close()
        return found

    assert run_apart(work, own_mounts=True) == [*range(10), *range(30, 40)]


def test_a_start_at_0_bytes_free_without_ballast_keeps_reading_and_logs_when_there_is_room(folder: Path) -> None:
    def work() -> tuple[int, bool, int]:
        mount_small(folder, DISK_BYTES)

        def killed() -> None:
            record = open_record(folder, elapsed_s=0.0)
            record.commit(ten_seconds(0.0))

        run_apart(killed)
        (folder / "record.db-shm").unlink()
        others = fill(folder)
        with RecordReader(folder) as reader:
            before = len(list(reader.readings()))
            left_out = reader.log_left_out
            with pytest.raises(StoreFull):
                open_record(folder, elapsed_s=30.0)
            assert len(list(reader.readings())) == before
            others.unlink()
            record = open_record(folder, elapsed_s=30.0)  # the reader is still open, and in nobody's way
            record.commit(ten_seconds(30.0))
        with RecordReader(folder) as reader:
            after = len(list(reader.readings()))
        record.close()
        return before, left_out, after

    assert run_apart(work, own_mounts=True) == (11, False, 22)


# -- the log -------------------------------------------------------------------------------------


def test_who_keeps_the_log_from_shrinking_is_named(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    record.commit(ten_seconds(100.0))
    record.seal_all(120.0)
    assert record.log_holders() == []
    child = os.fork()
    if child == 0:
        db = sqlite3.connect(tmp_path / "record.db")
        db.execute("BEGIN")
        db.execute("SELECT * FROM tail").fetchone()
        (tmp_path / "ready").touch()
        os.kill(os.getpid(), signal.SIGSTOP)
        os._exit(0)
    os.waitpid(child, os.WUNTRACED)
    assert [who.endswith(f"({child})") for who in holders_of(record.file)] == [True]
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    assert holders_of(record.file) == []
    record.close()
