"""`halfmark backup`: the record as it is now, with the site file, in one file; the service may run meanwhile.

The record is copied by SQLite in one step from a connection of this command's own: it sees what was
committed when it began, the service goes on committing, and nothing of the service waits for it. A copy
in several steps begins anew whenever the service commits, and beside it never ends.
"""

import os
import shutil
import sys
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TextIO

from daemon import __version__
from daemon.backup_file import ENDING, MODE, RECORD, SITE, is_plain_name, write_backup
from daemon.clock import wall_utc_s
from daemon.errors import StoreError
from daemon.folders import SITE_FILE
from daemon.progress import Progress
from daemon.record import RecordReader
from daemon.record.files import sync_folder
from daemon.taking_up import SITE_STATE

PART = ".part"
SPARE_BYTES = 4 << 20
MAPS_MOST = 100


def run_backup(
    store: Path, target: Path, site_file: Path | None = None, *, out: TextIO | None = None, err: TextIO | None = None
) -> int:
    """Write a backup.

    Args:
        store: the record, a file or its folder.
        target: the file to make, replaced whole when it is there, or the folder to make one in.
        site_file: the site file; None for the one the service runs with, else the installed one.
        out, err: where words and progress go; None is standard output and error.
    Returns: 0.
    Raises: StoreError: the record can't be read, or the backup not be written.
    """
    out, err = out or sys.stdout, err or sys.stderr
    with RecordReader(store) as reader:
        site = _site_file(reader, site_file)
        file = _target(target, _site_name(reader), wall_utc_s())
        size = reader.size()
        _need_room(file.parent, 2 * (size.file_bytes + size.log_bytes))
        with _part_of(file, ".record") as copied:
            err.write(f"copying {size.file_bytes / 1e6:.1f} MB of record ...\n")
            reader.copy_to(copied)
            about, files = _about(reader), {RECORD: copied}
            left_out = _add_site(files, site)
            _write(file, about, files, err)
    out.write(f"{file}: {file.stat().st_size / 1e6:.1f} MB, record of {about['site'] or 'an unnamed site'}")
    out.write(f" up to {about['newest_utc'] or 'a time nobody dated'}" + (f", with {site}\n" if site else "\n"))
    if site is None:
        out.write("NO SITE FILE is in it: name one with --site\n")
    for name in left_out:
        out.write(f"left out: {name}, which does not lie below the site file's folder, or can't be read\n")
    if reader.log_left_out:
        out.write("the newest readings may be missing: the record's log could not be read\n")
    return 0


def _about(reader: RecordReader) -> dict[str, object]:
    newest = reader.newest_s()
    utc_s = None if newest is None else reader.utc_of(*newest)
    return {
        "release": __version__,
        "layout": reader.layout,
        "site": _site_name(reader),
        "wall_utc": _utc(wall_utc_s()),
        "newest": newest,
        "newest_utc": None if utc_s is None else _utc(utc_s),
    }


def _utc(utc_s: float) -> str:
    return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%dT%H:%M:%SZ}"


def _site_name(reader: RecordReader) -> str:
    name = (reader.state(SITE_STATE) or {}).get("name")
    return name if isinstance(name, str) else ""


def _target(target: Path, site: str, utc_s: float) -> Path:
    """The file to make: a folder is given a name with site and date, and every name ends alike."""
    if target.is_dir():
        plain = "".join(c if c.isalnum() and c.isascii() else "-" for c in site.lower()).strip("-") or "site"
        return target / f"{plain}-{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d}{ENDING}"
    return target if target.name.endswith(ENDING) else target.with_name(target.name + ENDING)


def _site_file(reader: RecordReader, named: Path | None) -> Path | None:
    """The site file that is meant. Raises: StoreError: one is named that can't be read."""
    if named is not None:
        if not os.access(named, os.R_OK):
            raise StoreError(f"site file {named} can't be read: name another with --site")
        return named
    told = (reader.state(SITE_STATE) or {}).get("file")
    for path in (Path(told) if isinstance(told, str) and told else None, SITE_FILE):
        if path is not None and os.access(path, os.R_OK):
            return path
    return None


def _add_site(files: dict[str, Path], site: Path | None) -> list[str]:
    """Add the site file and its maps; returns the maps that can't come along."""
    if site is None:
        return []
    files[SITE] = site
    left_out = []
    for name in _maps(site):
        if is_plain_name(name) and name not in files and os.access(site.parent / name, os.R_OK):
            files[name] = site.parent / name
        elif name not in files:
            left_out.append(name)
    return left_out


def _maps(site: Path) -> list[str]:
    """The maps a site file names; a file with mistakes is carried as it is, with those that can be found."""
    try:
        raw = tomllib.loads(site.read_text(encoding="utf-8"))
    except (ValueError, OSError):
        return []
    instruments = raw.get("instrument")
    rows = instruments.values() if isinstance(instruments, dict) else ()
    names = (row.get("map") for row in rows if isinstance(row, dict))
    return list(dict.fromkeys(name for name in names if isinstance(name, str)))[:MAPS_MOST]


# -- writing -----------------------------------------------------------------------------------


def _write(file: Path, about: Mapping[str, object], files: Mapping[str, Path], err: TextIO) -> None:
    """Write the backup beside its place and put it there whole."""
    total, done = 2 * sum(path.stat().st_size for path in files.values()), 0
    with _part_of(file, "") as part, Progress("backup", total, err) as progress:

        def told(count: int) -> None:
            nonlocal done
            done += count
            progress.at(min(done, total))

        try:
            with _opened(part) as out:
                write_backup(out, about, files, told)
                out.flush()
                os.fsync(out.fileno())
            part.replace(file)
            sync_folder(file.parent)
        except OSError as why:
            raise StoreError(f"{file} can't be written: {why.strerror or why}; name another place") from why


def _opened(part: Path) -> IO[bytes]:
    return os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, MODE), "wb")


@contextmanager
def _part_of(file: Path, ending: str) -> Iterator[Path]:
    """A name beside a file for something that is not finished; whatever is left there goes at the end."""
    part = file.with_name(f"{file.name}{ending}{PART}")
    try:
        part.unlink(missing_ok=True)
        yield part
    except OSError as why:
        raise StoreError(f"{file} can't be written: {why.strerror or why}; name another place") from why
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _need_room(folder: Path, need_bytes: int) -> None:
    try:
        free_bytes = shutil.disk_usage(folder).free
    except OSError as why:
        raise StoreError(f"{folder} can't be written: {why.strerror or why}; name another place") from why
    need_bytes += SPARE_BYTES
    if free_bytes < need_bytes:
        raise StoreError(
            f"{folder} has {free_bytes / 1e6:.0f} MB free and the backup needs {need_bytes / 1e6:.0f} MB while it is "
            "made: name a place with more room"
        )
