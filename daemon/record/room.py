"""Room for the record: its budget of pages, the ballast for a full disk, and what goes first when it is short.

The oldest raw readings go first, down to the last thirty days of the service; then the oldest minutes, and
only then what raw is left. Hours and everything else stay for ever.
The ballast is a file that holds a little of the disk, given up at the first full disk: even a deletion
needs room in the log. It is made again when there is room.
"""

import os
import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from daemon.record import layout
from daemon.record.chunks import ChunkKey, first_key

BALLAST_NAME = "record.ballast"
BALLAST_BYTES = 1 << 20
# The ballast is not made with less than this free, or it would be the one to fill the disk.
BALLAST_NEEDS_BYTES = 8 << 20
# Below this SQLite's shared index may get no room in the middle of a page, which ends the process.
SAFE_BYTES = 256 << 10
# Above this share of the budget the oldest raw readings go; a block of six hours still fits above it.
FULL_SHARE = 0.95
RAW_KEPT_BLOCKS = 120  # of six hours
LOG_MUCH_BYTES = 16 << 20  # four times what the log grows to when nobody is in the way
HOLDERS_MOST = 5


@dataclass(frozen=True, slots=True)
class Room:
    """How much room there is.

    Attributes:
        used_bytes: of the record's pages in use.
        budget_bytes: what it may use, None without a limit.
        disk_free_bytes: what this user may still use of the disk.
        log_bytes: of the write-ahead log.
        ballast: whether it is there.
    """

    used_bytes: int
    budget_bytes: int | None
    disk_free_bytes: int
    log_bytes: int
    ballast: bool

    @property
    def used_share(self) -> float:
        """Of the budget, or of what the disk could give without one."""
        most = self.used_bytes + self.disk_free_bytes if self.budget_bytes is None else self.budget_bytes
        return self.used_bytes / most if most else 1.0


def pages_of(budget_mb: float | None) -> int | None:
    """How many pages a budget is; None for none."""
    return None if budget_mb is None else int(budget_mb * 1e6 / layout.PAGE_BYTES)


def disk_free_bytes(folder: Path) -> int:
    """What this user may still use of the disk; 0 when it can't be told."""
    try:
        disk = os.statvfs(folder)
    except OSError:
        return 0
    return disk.f_bavail * disk.f_frsize


def used_pages(db: sqlite3.Connection) -> int:
    """Pages of the file that hold something."""
    (count,), (free,) = db.execute("PRAGMA page_count").fetchone(), db.execute("PRAGMA freelist_count").fetchone()
    return int(count) - int(free)


def look(db: sqlite3.Connection, file: Path, pages_most: int | None) -> Room:
    """Look how much room there is."""
    log_bytes = 0
    with suppress(OSError):
        log_bytes = file.with_name(file.name + "-wal").stat().st_size
    return Room(
        used_pages(db) * layout.PAGE_BYTES,
        None if pages_most is None else pages_most * layout.PAGE_BYTES,
        disk_free_bytes(file.parent),
        log_bytes,
        file.with_name(BALLAST_NAME).exists(),
    )


def make_ballast(folder: Path) -> bool:
    """Take the ballast's room, if there is plenty; tell whether it is there."""
    path = folder / BALLAST_NAME
    if path.exists():
        return True
    if disk_free_bytes(folder) < BALLAST_NEEDS_BYTES:
        return False
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o640)
    except OSError:
        return False
    try:
        os.posix_fallocate(handle, 0, BALLAST_BYTES)
    except OSError:
        path.unlink(missing_ok=True)
        return False
    finally:
        os.close(handle)
    return True


def drop_ballast(folder: Path) -> bool:
    """Give the ballast's room back to the disk; tell whether there was any."""
    try:
        (folder / BALLAST_NAME).unlink()
    except OSError:
        return False
    return True


def drop_oldest(db: sqlite3.Connection) -> ChunkKey | None:
    """Delete the oldest block of raw readings, or of minutes; inside a transaction.

    Returns: where it began, None when nothing is left that may go.
    """
    for table in ("block", "minute") if _has_more(db, "block", RAW_KEPT_BLOCKS) else ("minute", "block"):
        row = db.execute(f"SELECT k FROM {table} ORDER BY k LIMIT 1").fetchone()
        if row is not None:
            key = ChunkKey.of(row[0])
            db.execute(f"DELETE FROM {table} WHERE k < ?", (first_key(key.boot, key.start_h + 1),))
            return key
    return None


def _has_more(db: sqlite3.Connection, table: str, count: int) -> bool:
    """Whether a table holds more than so many blocks; looked up from the oldest on, never counted through."""
    after = 0
    for _ in range(count + 1):
        row = db.execute(f"SELECT k FROM {table} WHERE k >= ? ORDER BY k LIMIT 1", (after,)).fetchone()
        if row is None:
            return False
        key = ChunkKey.of(row[0])
        after = first_key(key.boot, key.start_h + 1)
    return True


def holders_of(file: Path, processes: Path = Path("/proc")) -> list[str]:
    """Name the processes, but this one, that have a file open, as far as this user may see them."""
    found: list[str] = []
    try:
        wanted = file.stat()
        numbers = [path for path in processes.iterdir() if path.name.isdigit() and int(path.name) != os.getpid()]
    except OSError:
        return found
    for process in numbers:
        if len(found) >= HOLDERS_MOST:
            break
        with suppress(OSError):  # ended meanwhile, or another user's
            for handle in (process / "fd").iterdir():
                stat = handle.stat()
                if (stat.st_dev, stat.st_ino) == (wanted.st_dev, wanted.st_ino):
                    found.append(f"{(process / 'comm').read_text(encoding='utf-8').strip()} ({process.name})")
                    break
    return found
