"""Wear: what a disk's own counters say, on invented counters laid out as the kernel documents them."""

import os
from pathlib import Path

import pytest

from daemon.errors import StoreError
from daemon.record.wear import DiskCount, count, wear

# Linux kernel documentation, block/stat: 17 numbers; the 7th is sectors written, of 512 bytes, the 16th flushes.
BEFORE = "1 0 8 0 500 0 2000 9 0 9 9 0 0 0 0 40 3"
AFTER = "1 0 8 0 900 0 2800 9 0 9 9 0 0 0 0 64 3"


def device(root: Path, path: Path, stat: str, *, partition_of: str | None = None) -> None:
    number = path.stat().st_dev
    link = root / f"{os.major(number)}:{os.minor(number)}"
    folder = root / "devices" / (partition_of or "card0")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "stat").write_text(stat)
    if partition_of:
        folder = folder / "card0p2"
        folder.mkdir(exist_ok=True)
        (folder / "partition").write_text("2")
        (folder / "stat").write_text(stat.replace(" 40 ", " 0 ").replace(" 64 ", " 0 "))
    if not link.exists():
        link.symlink_to(folder)


@pytest.mark.parametrize("partition_of", [None, "card0"])
def test_bytes_and_flushes_between_two_counts_and_for_a_day(tmp_path: Path, partition_of: str | None) -> None:
    counts = []
    for at_s, stat in ((100.0, BEFORE), (700.0, AFTER)):
        device(tmp_path, tmp_path, stat, partition_of=partition_of)
        counts.append(count(tmp_path, at_s, tmp_path))
    told = wear(*counts)
    assert (told.span_s, told.written_bytes, told.flushes) == (600.0, 800 * 512, 24)
    assert (told.written_a_day_bytes, told.flushes_a_day) == (800 * 512 * 144, 24 * 144)
    assert told.device == ("card0p2" if partition_of else "card0")


def test_an_old_kernel_counts_no_flushes(tmp_path: Path) -> None:
    device(tmp_path, tmp_path, " ".join(BEFORE.split()[:11]))
    assert count(tmp_path, 1.0, tmp_path).flushes is None


def test_what_lies_on_no_disk_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="lies on no disk whose writes are counted"):
        count(tmp_path, 1.0, tmp_path / "nowhere")


def test_counts_of_two_disks_or_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="one disk in order"):
        wear(DiskCount("a", 1.0, 0, 0), DiskCount("b", 2.0, 0, 0))
    with pytest.raises(ValueError, match="one disk in order"):
        wear(DiskCount("a", 2.0, 0, 0), DiskCount("a", 2.0, 0, 0))
