"""A CSV file of readings, plain or gzipped, read in one pass with little memory.

Columns named `true_...` hold the answers of a made-up set and are never read: their cells are not even
taken out of the line. A cell that is empty or no number is missing; one that cannot be is suspect, with
why; a line without a usable time, or not later than the line before, is left out. All of it is counted.
Most blocks of lines have nothing of the kind in them, and are converted column by column, which is quicker.
"""

import csv
import gzip
import math
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain, repeat
from operator import sub
from pathlib import Path
from types import TracebackType
from typing import IO, NamedTuple

from daemon.errors import ConfigError
from shared.quantities import ESTIMATED, QUANTITIES

TIME_COLUMN = "time_s"
ANSWERS = "true_"
BLOCK_BYTES = 128 * 1024
LINE_BYTES_MOST = 64 * 1024  # more without a line end is a hole in the file, not a line
HEADER_SHOWN = 12
LINES_AT_ONCE = 500  # converted together
KNOWN_MOST = 4_000  # texts kept of each quantity, half a megabyte
JUMP_S_MOST = 366 * 86_400.0  # a longer gap is believed when the next line agrees; else the time was garbage

_NO_REASONS: Mapping[str, str] = {}


class FileRow(NamedTuple):
    """One usable line: its time as written and as a number, and what stands in it."""

    time_text: bytes
    time_s: float
    values: dict[str, float]
    suspect: Mapping[str, str]
    missing: tuple[str, ...]


@dataclass
class Oddities:
    """What was not as it should be, counted.

    Attributes:
        rows: lines that were used.
        no_time: lines left out because their time is no number, or cells are cut off before it.
        not_later: lines left out because their time is not later than the one before.
        cells: missing and suspect cells by quantity.
        cut_off: why reading ended before the end of the file, if it did.
    """

    rows: int = 0
    no_time: int = 0
    not_later: int = 0
    cells: Counter[str] = field(default_factory=Counter)
    cut_off: str | None = None

    def words(self) -> list[str]:
        """Say it in lines for a person; nothing when all was well."""
        said = []
        if self.no_time:
            said.append(f"{self.no_time} lines left out: no usable time in them")
        if self.not_later:
            said.append(f"{self.not_later} lines left out: not later than the line before")
        if self.cells:
            parts = ", ".join(f"{quantity} {count}" for quantity, count in sorted(self.cells.items()))
            said.append(f"cells missing, no number, or out of range: {parts}")
        if self.cut_off is not None:
            said.append(f"the file ends too soon: {self.cut_off}; what came before was used")
        return said


class ReadingsFile:
    """An open file of readings; a context manager.

    Attributes:
        quantities: the quantities it has a column for, in the file's order.
        size: bytes on the disk; `position` tells how many of them have been read.
        oddities: what was not as it should be, up to now.
    """

    def __init__(self, path: Path, columns: Mapping[str, str] | None = None) -> None:
        """Open the file and read its header.

        Args:
            path: the file; one that begins like gzip is unpacked on the way, whatever its name.
            columns: quantity (or time_s) to column name, where the two differ.
        Raises: ConfigError: no such file, or its header does not fit.
        """
        self.path = path
        self.oddities = Oddities()
        self._raw = _open(path)
        try:
            self._text = _unpacked(self._raw)
            self.size = max(1, path.stat().st_size)
            blocks = _blocks(self._text, self.oddities)
            first = next(blocks, None)
            if first is None:
                why = self.oddities.cut_off or "it is empty"
                raise ConfigError.of(str(path), f"must be a CSV file with a header line; {why}")
            header, *lines = first
            self._blocks = chain([lines] if lines else [], blocks)
            self._time_index, self._picked = _pick(path, _names(header), columns or {})
        except BaseException:
            self.close()
            raise
        self.quantities = tuple(quantity for quantity, _ in self._picked)
        self._known = [(index, _Known(quantity)) for quantity, index in self._picked]
        self._last_s = self._doubted_s = -math.inf

    def __enter__(self) -> "ReadingsFile":
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._raw.close()

    @property
    def position(self) -> int:
        """Bytes of the file on the disk read so far."""
        return min(self.size, self._raw.tell())

    def rows(self) -> Iterator[FileRow]:
        """Give the usable lines, in the file's order."""
        for lines in self._blocks:
            yield from self._by_columns(lines) or self._by_lines(lines)

    def _by_columns(self, lines: list[bytes]) -> Iterator[FileRow] | None:
        """Convert a block column by column, which is quicker; None when anything in it is out of the common."""
        joined = b"".join(lines)
        if b'"' in joined or b"_" in joined:
            return None
        try:
            cells = list(zip(*[line.split(b",") for line in lines], strict=True))
            times_s = list(map(float, cells[self._time_index]))
            columns = [list(map(known.__getitem__, cells[index])) for index, known in self._known]
        except (ValueError, IndexError):
            return None
        before_s = self._last_s if self.oddities.rows else times_s[0] - 1.0
        steps_s = map(sub, times_s, [before_s, *times_s])
        if not all(0.0 < step_s <= JUMP_S_MOST for step_s in steps_s):
            return None
        self._last_s = times_s[-1]
        self.oddities.rows += len(lines)
        # All of it by calls from C: a call from Python for each row would cost as much as the row itself.
        values = map(dict, map(zip, repeat(self.quantities), zip(*columns, strict=True)))
        times = map(bytes.strip, cells[self._time_index])
        rows = zip(times, times_s, values, repeat(_NO_REASONS), repeat(()), strict=False)
        return map(tuple.__new__, repeat(FileRow), rows)

    def _by_lines(self, lines: list[bytes]) -> Iterator[FileRow]:
        """Look at a block line by line."""
        oddities = self.oddities
        for line in lines:
            cells = line.split(b",") if b'"' not in line else _quoted(line)
            try:
                time_s = _number(cells[self._time_index])
            except (ValueError, IndexError):
                oddities.no_time += 1
                continue
            if not time_s > self._last_s:
                oddities.not_later += 1
                continue
            jumps = time_s - self._last_s > JUMP_S_MOST and oddities.rows
            if jumps and not 0.0 < time_s - self._doubted_s <= JUMP_S_MOST:
                self._doubted_s = time_s
                oddities.no_time += 1
                continue
            self._last_s = time_s
            oddities.rows += 1
            yield self._by_cells(cells, time_s)

    def _by_cells(self, cells: list[bytes], time_s: float) -> FileRow:
        """Look at a line cell by cell: some may be missing, no numbers, or out of range."""
        values: dict[str, float] = {}
        suspect: dict[str, str] = {}
        missing = []
        for index, known in self._known:
            quantity = known.row.name
            try:
                values[quantity] = known[cells[index]]
                continue
            except _OutOfRangeError as why:
                suspect[quantity] = str(why)
            except (ValueError, IndexError):
                missing.append(quantity)
            self.oddities.cells[quantity] += 1
        return FileRow(cells[self._time_index].strip(), time_s, values, suspect, tuple(missing))


# -- the bytes ---------------------------------------------------------------------------------


def _open(path: Path) -> IO[bytes]:
    try:
        if not path.is_file():
            raise ConfigError.of(str(path), "no such file: name a CSV file of readings, plain or .gz")
        return path.open("rb")
    except OSError as why:
        raise ConfigError.of(str(path), f"can't be read: {why.strerror}") from why


def _unpacked(raw: IO[bytes]) -> Callable[[int], bytes]:
    """The way to the next bytes of text, by what the file begins with."""
    packed = raw.read(2) == b"\x1f\x8b"
    raw.seek(0)
    return gzip.GzipFile(fileobj=raw, mode="rb").read1 if packed else raw.read


def _blocks(read: Callable[[int], bytes], oddities: Oddities) -> Iterator[list[bytes]]:
    """Lines without their ends, many at a time; blank ones are left out, and so is one that goes on for ever."""
    rest, endless = b"", False
    while True:
        try:
            block = read(BLOCK_BYTES)
        except (OSError, EOFError, zlib.error) as why:
            oddities.cut_off = str(why)
            block = b""
        lines = (rest + block).split(b"\n")
        rest = lines.pop()
        if endless and lines:
            endless = False
            del lines[0]
        for begin in range(0, len(lines), LINES_AT_ONCE):
            if found := _not_blank(lines[begin : begin + LINES_AT_ONCE]):
                yield found
        if not block:
            break
        if len(rest) > LINE_BYTES_MOST:
            oddities.no_time += not endless
            rest, endless = b"", True
    # A last line without its end is one all the same; after trouble it is cut off in the middle of something.
    last = _not_blank([rest])
    if last and oddities.cut_off is None and not endless:
        yield last


def _not_blank(lines: list[bytes]) -> list[bytes]:
    return [bare for line in lines if (bare := line.rstrip(b"\r"))]


def _number(cell: bytes) -> float:
    """A finite number; raises ValueError for anything else."""
    value = float(cell)
    if not math.isfinite(value) or b"_" in cell:
        raise ValueError(cell)
    return value


class _OutOfRangeError(ValueError):
    """A number that can't be true, and why."""


class _Known(dict[bytes, float]):
    """Good values of one quantity by their text: most come again and again, and to look one up beats converting it."""

    def __init__(self, quantity: str) -> None:
        self.row = QUANTITIES[quantity]

    def __missing__(self, cell: bytes) -> float:
        """Convert a text that is new. Raises: ValueError: it is no number; _OutOfRangeError: one that can't be true."""
        value, row = _number(cell), self.row
        if not row.least <= value <= row.most:
            raise _OutOfRangeError(f"outside of {row.least:g} to {row.most:g} {row.unit}".rstrip())
        if len(self) >= KNOWN_MOST:
            self.clear()
        self[cell] = value
        return value


def _quoted(line: bytes) -> list[bytes]:
    try:
        return [cell.encode("latin-1") for cell in next(csv.reader([line.decode("latin-1")]))]
    except (csv.Error, StopIteration):
        return []


# -- the header --------------------------------------------------------------------------------


def _names(header: bytes) -> list[str]:
    text = header.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace")
    return [name.strip() for name in next(csv.reader([text]), [])]


def _pick(path: Path, names: list[str], columns: Mapping[str, str]) -> tuple[int, tuple[tuple[str, int], ...]]:
    """Tell where the time is, and which quantities are where.

    Raises: ConfigError: no time, no quantity, a column that is mapped and not there, or one that is there twice.
    """
    file, seen = str(path), Counter(names)
    wanted = {quantity: quantity for quantity in (TIME_COLUMN, *QUANTITIES) if quantity not in ESTIMATED} | dict(
        columns
    )
    for quantity, column in columns.items():
        if column not in seen:
            raise ConfigError.of(
                file, f"has no such column, though [replay.columns] names it for {quantity}; {_told(names)}", key=column
            )
    found = {
        quantity: column for quantity, column in wanted.items() if column in seen and not column.startswith(ANSWERS)
    }
    for column in found.values():
        if seen[column] > 1:
            raise ConfigError.of(file, f"is there {seen[column]} times: leave one of them", key=column)
    if TIME_COLUMN not in found:
        raise ConfigError.of(
            file, f"has no column time_s: name yours in the site file, [replay.columns] time_s = ...; {_told(names)}"
        )
    time_index = names.index(found.pop(TIME_COLUMN))
    if not found:
        raise ConfigError.of(
            file, f"has no column with a quantity's name: name yours in [replay.columns]; {_told(names)}"
        )
    picked = sorted(((quantity, names.index(column)) for quantity, column in found.items()), key=lambda pair: pair[1])
    return time_index, tuple(picked)


def _told(names: list[str]) -> str:
    """The header's names for a message, and what may be the matter with them."""
    if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
        return "cells must be separated by commas, and numbers written with a point"
    more = f" and {len(names) - HEADER_SHOWN} more" if len(names) > HEADER_SHOWN else ""
    return f"its header has {', '.join(names[:HEADER_SHOWN])}{more}"
