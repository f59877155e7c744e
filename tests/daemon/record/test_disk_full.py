"""A full disk: the commit says so, nothing acknowledged is lost, and the batch goes in when there is room.

On a small file system of the test's own, really full; and against the record's own limit of pages.
"""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from daemon.errors import StoreFull
from daemon.record import Batch, Record, RecordReader
from servers.apart import mount_small, run_apart
from servers.records import open_folder, open_record, ten_seconds

DISK_BYTES = 1 << 20
COMMITS_MOST = 5000


@pytest.fixture
def folder() -> Iterator[Path]:
    with open_folder() as outer:
        yield outer


def commit_until_full(record: Record) -> tuple[int, Batch, str]:
    """Give how many batches went in, the one that did not, and what was said."""
    for count in range(COMMITS_MOST):
        batch = ten_seconds(100.0 + 10.0 * count)
        try:
            record.commit(batch)
        except StoreFull as why:
            return count, batch, str(why)
    raise AssertionError(f"not full after {COMMITS_MOST} commits")


def starts(folder: Path) -> list[int]:
    """The ten seconds that are in the record, by the second in which they start."""
    with RecordReader(folder) as reader:
        return [round(placed.reading.at_s - 9.5) for placed in reader.readings("controller")]


def expected(count: int) -> list[int]:
    return [100 + 10 * n for n in range(count)]


def fill(folder: Path) -> Path:
    """Take all room there is left, to the last byte."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        for piece in (65536, 4096, 1):
            try:
                while file.write(b"\0" * piece):
                    pass
            except OSError:
                continue
    return ballast


def full_disk(folder: Path) -> tuple[int, str]:
    mount_small(folder, DISK_BYTES)
    record = open_record(folder)
    record.commit(ten_seconds(90.0))
    ballast = fill(folder)
    stored, batch, said = commit_until_full(record)
    assert len(batch.readings) == 11
    with pytest.raises(StoreFull):
        record.commit(batch)
    assert starts(folder) == [90, *expected(stored)]
    batch.absorb(ten_seconds(100.0 + 10.0 * (stored + 1)))
    ballast.unlink()
    record.commit(batch)
    record.commit(ten_seconds(100.0 + 10.0 * (stored + 2)))
    assert starts(folder) == [90, *expected(stored + 3)]
    record.close()
    again = open_record(folder, elapsed_s=1e6)
    assert again.set_aside is None
    again.close()
    assert starts(folder) == [90, *expected(stored + 3)]
    return stored, said


def test_on_a_full_disk_nothing_is_lost_and_the_batch_goes_in_when_there_is_room(folder: Path) -> None:
    stored, said = run_apart(partial(full_disk, folder), own_mounts=True)
    assert stored < 50
    assert f"{folder}/record.db can't be written, 0 bytes are free for user root" in said
    assert "make room; what was not stored is kept and tried again" in said


def begin_on_full_disk(folder: Path) -> str:
    mount_small(folder, DISK_BYTES)
    ballast = fill(folder)
    with pytest.raises(StoreFull) as caught:
        open_record(folder)
    ballast.unlink()
    record = open_record(folder)
    assert record.set_aside is None
    record.commit(ten_seconds(100.0))
    record.close()
    assert starts(folder) == [100]
    return str(caught.value)


def test_a_record_cannot_begin_on_a_full_disk_and_begins_when_there_is_room(folder: Path) -> None:
    assert "make room" in run_apart(partial(begin_on_full_disk, folder), own_mounts=True)


def start_on_full_disk(folder: Path) -> int:
    """Stop cleanly, fill the disk, start again: the record needs room even to be opened."""
    mount_small(folder, DISK_BYTES)
    record = open_record(folder)
    record.commit(ten_seconds(100.0))
    record.close()
    ballast = fill(folder)
    with pytest.raises(StoreFull):
        open_record(folder, elapsed_s=120.0)
    assert starts(folder) == [100]
    ballast.unlink()
    record = open_record(folder, elapsed_s=120.0)
    assert record.set_aside is None
    record.commit(ten_seconds(120.0))
    record.close()
    return len(starts(folder))


def test_a_start_on_a_full_disk_is_refused_loses_nothing_and_works_when_there_is_room(folder: Path) -> None:
    assert run_apart(partial(start_on_full_disk, folder), own_mounts=True) == 2


def test_at_its_own_limit_of_pages_the_record_is_full_and_goes_on_with_a_higher_one(tmp_path: Path) -> None:
    record = open_record(tmp_path, pages_most=30)
    stored, batch, said = commit_until_full(record)
    assert "its own limit is reached" in said
    assert starts(tmp_path) == expected(stored)
    record.close()
    assert (tmp_path / "record.db").stat().st_size <= 30 * 4096
    record = open_record(tmp_path, elapsed_s=1e5, pages_most=60)
    record.commit(batch)
    record.close()
    assert starts(tmp_path) == expected(stored + 1)
