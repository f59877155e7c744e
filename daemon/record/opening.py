"""A record's file opened read-only, followed when a service starts, stops or begins anew beside it.

With the service running (or killed: its log still lies there) the file is opened through the log.
After a clean stop there is no log, and a reader who may not write into the folder can't make one:
then the file is opened as one that nobody changes, and looked at again around every question.
"""

import os
import sqlite3
from pathlib import Path
from typing import Any
from urllib.parse import quote

from daemon.errors import StoreError
from daemon.record import files, layout
from daemon.record.failures import name_of, reading_error

LOCKED_WAIT_S = 1.0
CACHE_KB = 256
REOPENINGS_MOST = 5

# What a log says that can't be shared with its writer, as on a file system mounted read-only.
_NOT_SHARED = ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_IOERR_SHM")
_NO_ROOM_TO_SHARE = "SQLITE_IOERR_SHM"


class OpenedRecord:
    """One connection for reading, made anew when the file under its name is not the same any more.

    Attributes:
        file: the record's file.
        live: whether it is read through the log, so that what a running service commits is seen.
        log_left_out: whether there is a log that could not be read, so that the newest may be missing.
        openings: how often it has been opened; whoever keeps what was read compares this.
    """

    def __init__(self, file: Path) -> None:
        """Open it.

        Raises: StoreError: there is none, it may not be read, it is damaged or not a record.
        """
        self.file = file
        self.live = False
        self.log_left_out = False
        self.openings = 0
        self._db: sqlite3.Connection | None = None
        self._stamp: tuple[int, ...] = ()
        self._older = self._alone = False
        self._open()

    def close(self) -> None:
        """Close the file."""
        if self._db is not None:
            self._db.close()
            self._db = None

    def ask(self, question: str, *values: object) -> list[Any]:
        """Ask one question and take the whole answer, so that no transaction stays open.

        Raises: StoreError: the file can't be read.
        """
        for _ in range(REOPENINGS_MOST):
            if self._db is None or not self._is_unchanged() or self._has_grown_up():
                self._open()
            assert self._db is not None
            try:
                answer = self._db.execute(question, values).fetchall()
            except sqlite3.Error as why:
                if self._is_unchanged():
                    raise reading_error(why, self.file) from why
                continue
            if self._alone:
                self.close()
            if self.live or self._is_unchanged():
                return answer
        raise StoreError(f"{self.file} changes while it is read: try again, or read a copy with --store FILE")

    def copy_to(self, target: Path) -> None:
        """Copy the whole record, with what is in the log, into a new file.

        In one step: a copy in several from beside a writer begins anew at each commit, and never ends. One
        step reads what was there when it began; the writer goes on meanwhile, and only its log grows.

        Raises: StoreError: it can't be read, or the copy can't be written.
        """
        for _ in range(REOPENINGS_MOST):
            if self._db is None or not self._is_unchanged():
                self._open()
            assert self._db is not None
            target.unlink(missing_ok=True)
            files.make_file(target, None)  # readable by nobody more than the record itself
            copy = sqlite3.connect(target, isolation_level=None)
            try:
                self._db.backup(copy, pages=-1)
            except sqlite3.Error as why:
                if self._is_unchanged():
                    raise StoreError(f"{self.file} can't be copied to {target}: {why}; is there room?") from why
                continue
            finally:
                copy.close()
            if self.live or self._is_unchanged():
                return
        raise StoreError(f"{self.file} changes while it is copied: try again")

    def log_bytes(self) -> int:
        """Give the size of the log beside the file, 0 without one."""
        try:
            return self._log().stat().st_size
        except OSError:
            return 0

    def _is_unchanged(self) -> bool:
        return self._stamp == self._look()

    def _has_grown_up(self) -> bool:
        """Whether a record of an older layout has been brought up to date since it was opened."""
        return self._older and self._db is not None and layout.version_of(self._db) == layout.VERSION

    def _look(self) -> tuple[int, ...]:
        """What tells one state of the files from another; a live one only by which file it is."""
        try:
            stat = self.file.stat()
        except OSError as why:
            raise self._no_file() from why
        if self.live:
            return (stat.st_dev, stat.st_ino)
        return (stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns, int(self._log().exists()), self.log_bytes())

    def _open(self) -> None:
        self.close()
        if not os.access(self.file, os.R_OK):
            raise self._no_file()
        self.openings += 1
        self.log_left_out = False
        try:
            try:
                self._connect(live=self._log().exists())
            except sqlite3.Error as why:
                if not (self.live and name_of(why).startswith(_NOT_SHARED)):
                    raise
                if not (name_of(why).startswith(_NO_ROOM_TO_SHARE) and self._connect_alone()):
                    self._connect(live=False)
                    self.log_left_out = self.log_bytes() > 0
        except sqlite3.Error as why:
            self.close()
            raise reading_error(why, self.file) from why
        except StoreError as why:
            self.close()
            raise StoreError(f"{self.file} can't be used: {why}") from why

    def _connect_alone(self) -> bool:
        """Read through the log with no index of it beside it, for which a full disk has no room.

        It takes a lock that keeps everybody else out, so it is for this emergency, for who may write the
        file, and for one question at a time.
        """
        if not os.access(self.file, os.W_OK):
            return False
        try:
            self._connect(live=True, how="mode=rw")
        except sqlite3.Error:
            return False
        return True

    def _connect(self, *, live: bool, how: str = "") -> None:
        self.close()
        self.live, self._alone = live, bool(how)
        self._stamp = self._look()
        how = how or ("mode=ro" if live else "immutable=1")
        name = f"file:{quote(str(self.file.absolute()))}?{how}"
        self._db = sqlite3.connect(name, uri=True, timeout=LOCKED_WAIT_S, isolation_level=None)
        self._db.text_factory = _text
        if self._alone:
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
        # Rows lie together and are read once; SQLite's own 2 MB would stay with a service that reads now and then.
        self._db.execute(f"PRAGMA cache_size = -{CACHE_KB}")
        self._older = layout.version_of(self._db) < layout.VERSION
        if self._older:
            layout.stand_in(self._db)

    def _log(self) -> Path:
        return self.file.with_name(self.file.name + "-wal")

    def _no_file(self) -> StoreError:
        try:
            self.file.stat()
        except PermissionError:
            pass
        except OSError:
            return StoreError(
                f"there is no record at {self.file}: start the service once, or name one with --store FILE"
            )
        group = _group_of(self.file)
        return StoreError(
            f"{self.file} can't be read by user {files.user_name()}: join the group {group} "
            f"(usermod -aG {group} {files.user_name()}) and log in again"
        )


def _text(coded: bytes) -> str:
    """A text as it is kept; with signs for what a damaged one has that is none, because the rest can be read."""
    return coded.decode("utf-8", "replace")


def _group_of(file: Path) -> str:
    """The group that may read the file, or its folder when the file itself can't be looked at."""
    for path in (file, file.parent):
        try:
            number = path.stat().st_gid
        except OSError:
            continue
        try:
            return path.group()
        except KeyError:
            return str(number)
    return "that owns it"
