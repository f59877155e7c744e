"""`halfmark restore`: put the record of a backup in place, and nothing else.

Holds lie in files of their own, and what was sent in a database of the sender: neither is in a backup, and
neither is touched here. A record that is there is moved aside, never deleted.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

from daemon.backup_file import RECORD, SITE, Backup
from daemon.clock import wall_utc_s
from daemon.errors import StoreBusy, StoreError
from daemon.progress import Progress
from daemon.record import RecordReader, files

RESTORING = ".restoring"
REPLACED = "replaced"
SITE_MODE = 0o640


def run_restore(
    backup: Path,
    folder: Path,
    *,
    replace: bool = False,
    site_out: Path | None = None,
    out: TextIO | None = None,
    err: TextIO | None = None,
) -> int:
    """Restore a record.

    Args:
        backup: the backup file; checked whole before anything is written.
        folder: of the record, made if need be.
        replace: a record that is there is moved aside; without this it is left alone, and nothing is done.
        site_out: where to write the site file, with its maps beside it; None leaves it in the backup.
        out, err: where words and progress go; None is standard output and error.
    Returns: 0 restored, 1 restored but the record in it has damaged rows.
    Raises: StoreBusy: a service runs on this record; StoreError: the backup is damaged, or it can't be done.
    """
    out, err = out or sys.stdout, err or sys.stderr
    with Backup(backup) as source:
        with Progress("checking the backup", source.size, err) as progress:
            done = 0

            def told(count: int) -> None:
                nonlocal done
                done += count
                progress.at(done)

            source.check(told)
        _check_site(source, site_out)
        files.make_folder(folder, None)
        with _nobody_writes(folder):
            there = [path for path in _record_files(folder) if path.exists()]
            if there and not replace:
                raise StoreError(
                    f"{folder} has a record already ({there[0].name}): --replace moves it aside and puts this one in "
                    "its place"
                )
            swept = _put_record(source, folder, bool(there), out)
        if site_out is not None:
            _put_site(source, site_out, out)
    about = source.about
    out.write(f"{folder / RECORD}: record of {about.get('site') or 'an unnamed site'}")
    out.write(f" up to {about.get('newest_utc') or 'a time nobody dated'}; holds and receipts were not touched\n")
    if swept:
        out.write(f"{swept} rows in it were damaged when it was backed up; look with: halfmark verify\n")
    return 1 if swept else 0


def _record_files(folder: Path) -> list[Path]:
    record = folder / files.RECORD_NAME
    return [record, *(record.with_name(record.name + ending) for ending in files.COMPANIONS)]


@contextmanager
def _nobody_writes(folder: Path) -> Iterator[None]:
    """Hold the record's lock, so that no service starts meanwhile.

    Raises: StoreBusy: one runs.
    """
    lock_file = folder / files.LOCK_NAME
    was_there = lock_file.exists()
    try:
        lock = files.RecordLock(lock_file, None)
    except StoreBusy as why:
        raise StoreBusy(f"{why}; a record can't be restored under a running service: systemctl stop halfmark") from why
    try:
        yield
    finally:
        if not was_there:
            _give_away(lock_file, folder)
        lock.release()


def _put_record(source: Backup, folder: Path, is_there: bool, out: TextIO) -> int:
    """Write the record beside its place, look it over, move the old one aside and put it in; gives damaged rows."""
    record = folder / files.RECORD_NAME
    part = record.with_name(record.name + RESTORING)
    try:
        part.unlink(missing_ok=True)
        files.make_file(part, None)
        with part.open("r+b") as target:
            source.copy(RECORD, target)
            target.flush()
            os.fsync(target.fileno())
        _give_away(part, folder)
        with RecordReader(part) as reader:
            swept = reader.sweep()
            damaged = len(swept.bad) + len(swept.unread)
        if is_there:
            out.write(f"the record that was here is now {_move_aside(record).name}\n")
        with suppress(FileNotFoundError):
            # Word of damage is about the record that was here: left behind it would send this one away.
            record.with_name(files.DAMAGE_NAME).unlink()
        part.rename(record)
        files.sync_folder(folder)
    except OSError as why:
        raise files.file_error(why, record, "restored") from why
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return damaged


def _move_aside(record: Path) -> Path:
    if not record.exists():
        # Only a log is left of it; it goes under the same name as a record would.
        files.make_file(record, None)
    return files.set_aside(record, wall_utc_s(), REPLACED)


def _give_away(file: Path, folder: Path) -> None:
    """Give a file to whom its folder belongs, when this is not its user: as root for the service."""
    owner, own = folder.stat(), file.stat()
    if (owner.st_uid, owner.st_gid) != (own.st_uid, own.st_gid):
        with suppress(PermissionError):
            os.chown(file, owner.st_uid, owner.st_gid)


# -- the site file -----------------------------------------------------------------------------


def _check_site(source: Backup, site_out: Path | None) -> None:
    """Raises: StoreError: a site file is wanted that is not in the backup, or something is in its way."""
    if site_out is None:
        return
    if SITE not in source.contents:
        raise StoreError(f"{source.file} has no site file in it: leave --site out")
    for _, target in _site_files(source, site_out):
        if target.exists():
            raise StoreError(f"{target} is there already: name another place with --site, or move it away")


def _site_files(source: Backup, site_out: Path) -> list[tuple[str, Path]]:
    names = [name for name in source.contents if name not in (RECORD, SITE)]
    return [(SITE, site_out), *((name, site_out.parent / name) for name in names)]


def _put_site(source: Backup, site_out: Path, out: TextIO) -> None:
    for name, target in _site_files(source, site_out):
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, SITE_MODE)
            with os.fdopen(handle, "wb") as file:
                source.copy(name, file)
        except OSError as why:
            raise files.file_error(why, target, "written") from why
        out.write(f"{target}: from the backup\n")
