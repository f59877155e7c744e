"""What SQLite says about the record, turned into the daemon's own errors with a way out."""

import os
import sqlite3
from pathlib import Path

from daemon.errors import StoreBusy, StoreDamaged, StoreError, StoreFull, StoreReadOnly
from daemon.record.files import user_name

_FULL = ("SQLITE_FULL", "SQLITE_IOERR_SHMSIZE")
_UNREADABLE = ("SQLITE_IOERR_READ", "SQLITE_IOERR_SHORT_READ", "SQLITE_IOERR_CORRUPTFS")
_DAMAGED = ("SQLITE_NOTADB", "SQLITE_CORRUPT")
# Without one free block nothing else explains a failed write.
_NO_ROOM_BYTES = 4096


def name_of(why: sqlite3.Error) -> str:
    """Give SQLite's own name of an error, such as SQLITE_IOERR_WRITE; empty when it has none."""
    return str(getattr(why, "sqlite_errorname", None) or "")


def is_damage(why: sqlite3.Error) -> bool:
    """Tell whether SQLite says that the file is no database, or a broken one."""
    return name_of(why).startswith(_DAMAGED)


def is_page(why: sqlite3.Error) -> bool:
    """Tell whether SQLite says that a page makes no sense, or the disk that it can't be read."""
    return is_damage(why) or name_of(why).startswith(_UNREADABLE)


def writing_error(why: sqlite3.Error, file: Path) -> StoreError:
    """Say why the record could not be opened for writing, or written."""
    name = name_of(why)
    told = f"{why} ({name})" if name else str(why)
    if name in _FULL or (name.startswith("SQLITE_IOERR") and _room_bytes(file) < _NO_ROOM_BYTES):
        return StoreFull(
            f"{file} can't be written, {_room_bytes(file)} bytes are free for user {user_name()} on its disk or "
            f"its own limit is reached [{told}]: make room; what was not stored is kept and tried again"
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return StoreReadOnly(
            f"{file} can't be written by user {user_name()} [{told}]: mount its disk for writing and "
            f"give the files to that user with chown -R {user_name()} {file.parent}"
        )
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreBusy(f"{file} is locked by another program [{told}]: close what has opened it for writing")
    if is_damage(why):
        return StoreError(f"{file} is damaged [{told}]: restart the service, which sets it aside and begins a new one")
    return StoreError(f"{file} can't be written [{told}]: look for errors of the disk in the kernel's log")


def reading_error(why: sqlite3.Error, file: Path) -> StoreError:
    """Say why the record could not be read."""
    name = name_of(why)
    told = f"{why} ({name})" if name else str(why)
    if is_page(why):
        return StoreDamaged(f"{file} is no record, or a damaged one [{told}]: try a backup with --store FILE")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreBusy(f"{file} is locked by another program [{told}]: try again")
    return StoreError(f"{file} can't be read by user {user_name()} [{told}]")


def _room_bytes(file: Path) -> int:
    """What an ordinary user may still write on the file's disk."""
    try:
        disk = os.statvfs(file.parent)
    except OSError:
        return 0
    return disk.f_bavail * disk.f_frsize
