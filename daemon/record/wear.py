"""What the record's disk is really written: bytes and flushes from the block device's own counters.

A process's own count says little: pages are put together, and the file system's journal is written too.
The counters are the whole device's, so everything else that writes there is in them.

Source: Linux kernel documentation, block/stat: field 7 is sectors of 512 bytes written, field 16 flush
requests completed; a partition counts its sectors, flushes only the whole disk does.
"""

import os
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import StoreError

SECTOR_BYTES = 512
_SECTORS_WRITTEN, _FLUSHES = 6, 15
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class DiskCount:
    """The counters of a disk at one instant.

    Attributes:
        device: the kernel's name of it.
        at_s: seconds since boot.
        written_bytes: since boot.
        flushes: since boot; None where the kernel does not count them.
    """

    device: str
    at_s: float
    written_bytes: int
    flushes: int | None


@dataclass(frozen=True, slots=True)
class Wear:
    """What was written between two counts, and as much again for a whole day."""

    device: str
    span_s: float
    written_bytes: int
    flushes: int | None

    @property
    def written_a_day_bytes(self) -> float:
        """At the same rate."""
        return self.written_bytes * DAY_S / self.span_s

    @property
    def flushes_a_day(self) -> float | None:
        """At the same rate; None where the kernel does not count them."""
        return None if self.flushes is None else self.flushes * DAY_S / self.span_s


def count(path: Path, at_s: float, devices: Path = Path("/sys/dev/block")) -> DiskCount:
    """Read the counters of the disk that a file lies on.

    Args:
        path: the record or its folder.
        at_s: seconds since boot, now.
    Raises: StoreError: it lies on no block device, or its counters can't be read.
    """
    try:
        number = path.stat().st_dev
        folder = (devices / f"{os.major(number)}:{os.minor(number)}").resolve(strict=True)
        fields = (folder / "stat").read_text(encoding="ascii").split()
    except FileNotFoundError as why:
        raise StoreError(
            f"{path} lies on no disk whose writes are counted (memory, network or a file system over several "
            f"disks): name a record on a card or disk with --store"
        ) from why
    except OSError as why:
        raise StoreError(f"the counters of the disk under {path} can't be read: {why.strerror or why}") from why
    whole = folder
    if (folder / "partition").exists():
        whole = folder.parent
    flushes = _field(whole, _FLUSHES)
    return DiskCount(folder.name, at_s, int(fields[_SECTORS_WRITTEN]) * SECTOR_BYTES, flushes)


def wear(earlier: DiskCount, later: DiskCount) -> Wear:
    """Tell what was written between two counts.

    Raises: ValueError: they are of different disks, or not in order.
    """
    span_s = later.at_s - earlier.at_s
    if earlier.device != later.device or span_s <= 0.0:
        raise ValueError(f"need two counts of one disk in order, got {earlier} and {later}")
    flushes = None if None in (earlier.flushes, later.flushes) else (later.flushes or 0) - (earlier.flushes or 0)
    return Wear(later.device, span_s, later.written_bytes - earlier.written_bytes, flushes)


def _field(folder: Path, number: int) -> int | None:
    try:
        fields = (folder / "stat").read_text(encoding="ascii").split()
    except OSError:
        return None
    return int(fields[number]) if len(fields) > number else None
