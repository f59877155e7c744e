"""The record's files: names, modes, the lock against a second service, setting a damaged file aside.

FOLDER                 0750, the operators' group may read
FOLDER/record.db       0640; SQLite gives -wal and -shm beside it the same mode and group
FOLDER/record.lock     0640; locked while a service has the record, names its process
"""

import fcntl
import grp
import os
import pwd
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from daemon.errors import StoreBusy, StoreError, StoreFull, StoreReadOnly

RECORD_NAME = "record.db"
LOCK_NAME = "record.lock"
DAMAGE_NAME = "record.damaged"
FOLDER_MODE = 0o750
FILE_MODE = 0o640
COMPANIONS = ("-wal", "-shm")
SET_ASIDE_MOST = 1000

_FULL = (28, 122)  # ENOSPC, EDQUOT
_READ_ONLY = (1, 13, 30)  # EPERM, EACCES, EROFS


def user_name() -> str:
    """Name the user this process acts as, for messages."""
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return f"uid {os.geteuid()}"


def group_number(group: str | int) -> int:
    """Give the number of a group.

    Raises: StoreError: there is no such group.
    """
    if isinstance(group, int):
        return group
    try:
        return grp.getgrnam(group).gr_gid
    except KeyError:
        raise StoreError(f"there is no group {group!r} to read the record: create it with groupadd {group}") from None


def make_folder(folder: Path, group: int | None) -> None:
    """Make the record's folder, readable by the group; leave one that is there as it is.

    Raises: StoreReadOnly, StoreFull, StoreError.
    """
    try:
        if folder.is_dir():
            return
        folder.mkdir(parents=True)
        # mkdir obeys the umask, chmod does not.
        folder.chmod(FOLDER_MODE)
        if group is not None:
            os.chown(folder, -1, group)
            folder.chmod(FOLDER_MODE | 0o2000)  # what is made inside gets the group as well
    except OSError as why:
        raise file_error(why, folder, "made") from why


def make_file(file: Path, group: int | None) -> bool:
    """Make an empty file with the record's mode, unless it is there; tell whether it was made.

    Raises: StoreReadOnly, StoreFull, StoreError.
    """
    try:
        handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)
    except FileExistsError:
        return False
    except OSError as why:
        raise file_error(why, file, "made") from why
    try:
        os.fchmod(handle, FILE_MODE)
        if group is not None:
            os.fchown(handle, -1, group)
    except OSError as why:
        raise file_error(why, file, f"given to group {group}") from why
    finally:
        os.close(handle)
    sync_folder(file.parent)
    return True


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, so that a power cut does not take a new file away."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def note_damage(file: Path) -> None:
    """Leave word beside a damaged record, as well as it goes on what may be a damaged disk."""
    with suppress(StoreError):
        make_file(file.with_name(DAMAGE_NAME), None)


def is_damaged(file: Path) -> bool:
    """Tell whether there is word that the record is damaged."""
    return file.with_name(DAMAGE_NAME).exists()


def set_aside_if_damaged(file: Path, wall_utc_s: float) -> Path | None:
    """Set the record aside if there is word of damage, and give its new name.

    Raises: StoreReadOnly, StoreFull, StoreError.
    """
    if not is_damaged(file):
        return None
    try:
        # The word goes first: left behind, it would send the next, whole record away as well.
        file.with_name(DAMAGE_NAME).unlink()
    except OSError as why:
        raise file_error(why, file, "set aside") from why
    return set_aside(file, wall_utc_s) if file.exists() else None


def set_aside(file: Path, wall_utc_s: float, what: str = "damaged") -> Path:
    """Rename a record and its companions to a name with what it is and the date, and give the new name.

    Nothing is deleted: what can still be read out of it stays there for a person.

    Raises: StoreReadOnly, StoreFull, StoreError.
    """
    try:
        date = datetime.fromtimestamp(wall_utc_s, UTC).strftime("%Y-%m-%d")
    except (ValueError, OverflowError, OSError):
        date = "no-date"
    for count in range(SET_ASIDE_MOST):
        aside = file.with_name(f"{file.name}.{what}-{date}" + (f"-{count}" if count else ""))
        if not aside.exists():
            break
    else:
        raise StoreError(f"{file} is to be set aside, and {SET_ASIDE_MOST} are already: move them away")
    try:
        # The log first: a power cut in between must not leave it where a new record would take it for its own.
        for companion in COMPANIONS:
            with suppress(FileNotFoundError):
                file.with_name(file.name + companion).rename(aside.with_name(aside.name + companion))
        file.rename(aside)
        sync_folder(file.parent)
    except OSError as why:
        raise file_error(why, file, "set aside") from why
    return aside


def file_error(why: OSError, path: Path, what: str) -> StoreError:
    """Turn what the system says about a file into an error with a way out."""
    told = why.strerror or str(why)
    if why.errno in _FULL:
        return StoreFull(f"{path} can't be {what}, the disk is full: make room on it")
    if why.errno == 30:
        return StoreReadOnly(f"{path} can't be {what}: the file system is mounted read-only; mount it for writing")
    if why.errno in _READ_ONLY:
        return StoreReadOnly(
            f"{path} can't be {what} by user {user_name()} ({told}): give it the folder with "
            f"chown -R {user_name()} {path.parent}, or name another folder"
        )
    return StoreError(f"{path} can't be {what}: {told}")


class RecordLock:
    """Held by the one service that writes a record; the kernel lets go of it when the process ends.

    Raises: StoreBusy: another process holds it; it is named.
    """

    def __init__(self, file: Path, group: int | None) -> None:
        make_file(file, group)
        try:
            self._handle = os.open(file, os.O_RDWR | os.O_CLOEXEC)
        except OSError as why:
            raise file_error(why, file, "opened for writing") from why
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(self._handle, 20, 0).decode("ascii", "replace").strip()
            os.close(self._handle)
            raise StoreBusy(
                f"{file.parent} is in use by another halfmark, process {holder or 'not told'}: "
                "stop that one first, or name another folder"
            ) from None
        # Not a byte more than needed, and best effort: a full disk must not keep the service from starting.
        with suppress(OSError):
            os.ftruncate(self._handle, 0)
            os.pwrite(self._handle, f"{os.getpid()}\n".encode("ascii"), 0)

    def release(self) -> None:
        """Let go; a second call does nothing."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
