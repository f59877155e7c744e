"""`halfmark export`: readings out of the record into a file that others can read, going on where it ended.

A file that is there already is continued: whatever stands after its last whole line is cut off, the
reading of that line is looked up in the record, and what comes after it is added. So an export
that was broken off is ended by the same command, and one that is repeated each day only adds the day.
"""

import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TextIO

from attrs import frozen

from daemon.damage_words import damage_told
from daemon.errors import ConfigError
from daemon.export_lines import CsvForm, Form, LineForm, Position, one_line
from daemon.picture import STATE_NAME
from daemon.progress import Progress
from daemon.record import Moment, Placed, RecordReader
from daemon.record.dating import Dating
from daemon.timeline import moment_of, undated_words, zone_of

FORMATS = ("csv", "lines")
BACK_S = 3600.0  # readings are stored with their commit, at most so much later than they were made
AROUND_S = 10.0
LAST_LINE_MOST = 64 * 1024
PROGRESS_READINGS = 2000
UNDATED_SHOWN = 10  # boots without a date of which it is told when they were
NOBODY = "site"  # the name in lines of a record that does not tell its site's


@frozen
class AskedExport:
    """What is to be written, and in which form."""

    out: Path
    format: str = "csv"
    since: str | None = None
    until: str | None = None
    timezone: str | None = None


def run_export(store: Path, asked: AskedExport, *, err: TextIO | None = None) -> int:
    """Write readings into a file, or go on with one that was begun.

    Args:
        store: the record, a file or its folder.
        asked: what to write, and where.
        err: where progress and what was left out go; None is the standard error.
    Returns: 0.
    Raises: ConfigError: the file can't be written, or is no such export of this record; StoreError: the record
        can't be read.
    """
    err = err or sys.stderr
    with RecordReader(store) as reader:
        zone = zone_of(reader, asked.timezone)
        since, until = moment_of(asked.since, reader, zone), moment_of(asked.until, reader, zone)
        form = _form(reader, asked.format)
        try:
            with _opened(asked.out) as out:
                after = _resume(out, form, Around(reader), asked.out)
                count = _write(out, form, reader, _begin(since, after), until, after, asked.out, err)
                out.flush()
                os.fsync(out.fileno())
        except OSError as why:
            raise ConfigError.of(str(asked.out), f"can't be written: {why.strerror}; name another file") from why
        damage = damage_told(reader, since, until, zone)
        undated = undated_words(reader, _undated(reader, since, until))
    err.write(f"{asked.out}: {count} lines {'added' if after else 'written'}\n")
    if form.undated:
        err.write(f"{form.undated} readings left out: no trusted clock has dated them; --format csv has them\n")
    err.write("".join(f"{words}\n" for words in undated))
    err.write("".join(f"{words}\n" for words in damage))
    return 0


def _form(reader: RecordReader, name: str) -> Form:
    dating = Dating(reader.anchors())
    if name == "csv":
        return CsvForm(dating)
    saved = reader.saved(STATE_NAME)
    site = saved.body.get("site") if saved is not None else None
    return LineForm(dating, site if isinstance(site, str) and site else NOBODY)


def _undated(reader: RecordReader, since: Moment | None, until: Moment | None) -> list[int]:
    """The boots of a range that nobody has placed in the calendar."""
    dating = Dating(reader.anchors())
    first, last = (dating.moment_of(m.timestamp()) if isinstance(m, datetime) else m for m in (since, until))
    numbers = (entry.number for entry in reader.boots() if dating.utc_of(entry.number, 0.0) is None)
    return [n for n in numbers if (first is None or n >= first[0]) and (last is None or n <= last[0])][:UNDATED_SHOWN]


class Around:
    """Looks readings up near a time."""

    def __init__(self, reader: RecordReader) -> None:
        self._reader = reader

    def around(self, utc_s: float) -> Iterator[Placed]:
        """Give the readings a little before and after a time, seconds since 1970."""
        since, until = (datetime.fromtimestamp(utc_s + step, UTC) for step in (-AROUND_S, AROUND_S))
        yield from self._reader.readings(since=since, until=until)


# -- where to go on ----------------------------------------------------------------------------


def _opened(path: Path) -> IO[bytes]:
    """Open for reading and writing; made if it is not there."""
    try:
        return path.open("r+b")
    except FileNotFoundError:
        return path.open("x+b")


def _resume(out: IO[bytes], form: Form, around: Around, path: Path) -> Position | None:
    """Cut a half line off, and find the reading of the last whole one; None in a file that has none yet.

    Raises: ConfigError: it is no export in this form, or of another record.
    """
    head = form.head.encode()
    size = out.seek(0, os.SEEK_END)
    out.seek(0)
    begin = out.read(max(len(head), 1))
    if size < len(head) or (head and begin != head):
        if begin and not head.startswith(begin[: len(head)]):
            raise _not_ours(path)
        out.seek(0)
        out.truncate()
        out.write(head)
        return None
    last, end = _last_line(out, len(head), size)
    if last is None and size > len(head) + LAST_LINE_MOST:
        raise _not_ours(path)
    position = None if last is None else form.position(last, around)
    if last is not None and position is None:
        raise _not_ours(path)
    out.truncate(end)
    out.seek(end)
    return position


def _not_ours(path: Path) -> ConfigError:
    return ConfigError.of(
        str(path), "is there and does not end with a line of this record in this format: name another file, or move it"
    )


def _last_line(out: IO[bytes], begin: int, size: int) -> tuple[str | None, int]:
    """The last whole line after `begin`, and where it ends."""
    start = max(begin, size - LAST_LINE_MOST)
    out.seek(start)
    tail = out.read(size - start)
    end = tail.rfind(b"\n") + 1
    if end == 0:
        return None, begin
    return tail[tail.rfind(b"\n", 0, end - 1) + 1 : end].decode("utf-8", "replace"), start + end


def _begin(since: Moment | None, after: Position | None) -> Moment | None:
    """Where to begin to read: what was stored late is looked at again, and left out again."""
    return since if after is None else (after.boot, max(0.0, after.at_s - BACK_S))


# -- writing -----------------------------------------------------------------------------------


def _write(
    out: IO[bytes],
    form: Form,
    reader: RecordReader,
    since: Moment | None,
    until: Moment | None,
    after: Position | None,
    path: Path,
    err: TextIO,
) -> int:
    """Write every line after a position; returns how many.

    Raises: ConfigError: the record has no such reading.
    """
    count = 0
    for placed in _told(reader.readings(since=since, until=until), reader, err):
        lines = form.lines(placed)
        if after is not None:
            if not _is_of(placed, after):
                continue
            names = [quantity for quantity, _ in lines]
            lines = lines[names.index(after.quantity) + 1 :] if after.quantity in names else lines
            after = None
        out.write("".join(line for _, line in lines).encode())
        count += len(lines)
    if after is not None and until is None:
        raise _not_ours(path)
    return count


def _is_of(placed: Placed, position: Position) -> bool:
    boot, reading = placed
    if boot != position.boot or one_line(reading.instrument) != position.instrument:
        return False
    return abs(reading.at_s - position.at_s) < 0.0005


def _told(readings: Iterator[Placed], reader: RecordReader, err: TextIO) -> Iterator[Placed]:
    """The same readings, with the progress told: each boot counts alike, seconds count within the last one."""
    newest = reader.newest_s()
    if newest is None:
        yield from readings
        return
    first: tuple[int, float] | None = None
    with Progress("export", 1000, err) as progress:
        for count, placed in enumerate(readings):
            at = (placed.boot, placed.reading.at_s)
            first = first or at
            if not count % PROGRESS_READINGS:
                progress.at(_thousandths(first, at, newest))
            yield placed
        progress.at(1000)


def _thousandths(first: tuple[int, float], at: tuple[int, float], newest: tuple[int, float]) -> int:
    boots = newest[0] - first[0]
    if at[0] < newest[0] or not boots:
        share = (at[0] - first[0]) / boots if boots else (at[1] - first[1]) / max(1.0, newest[1] - first[1])
    else:
        share = (boots + at[1] / max(1.0, newest[1])) / (boots + 1)
    return min(1000, max(0, round(1000 * share)))
