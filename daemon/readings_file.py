"""A CSV file of readings, plain or gzipped, read in one pass with little memory.

Columns named `true_...` hold the answers of a made-up set and are never read: their cells are not even
taken out of the line. A cell that is empty or no number is missing; one that cannot be is suspect, with
why; a line without a usable time, or not later than the line before, is left out. All of it is counted.
"""

import csv
import gzip
import math
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
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
            self._lines = _lines(self._text, self.oddities)
            header = next(self._lines, None)
            if header is None:
                why = self.oddities.cut_off or "it is empty"
                raise ConfigError.of(str(path), f"must be a CSV file with a header line; {why}")
            self._time_index, self._picked = _pick(path, _names(header), columns or {})
        except BaseException:
            self.close()
            raise
        self.quantities = tuple(quantity for quantity, _ in self._picked)

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
        oddities, time_index = self.oddities, self._time_index
        limits = [(q, index, QUANTITIES[q].least, QUANTITIES[q].most) for q, index in self._picked]
        last_s = doubted_s = -math.inf
        for line in self._lines:
            cells = line.split(b",") if b'"' not in line else _quoted(line)
            try:
                time_s = _number(cells[time_index])
            except (ValueError, IndexError):
                oddities.no_time += 1
                continue
            if not time_s > last_s:
                oddities.not_later += 1
                continue
            if time_s - last_s > JUMP_S_MOST and oddities.rows and not 0.0 < time_s - doubted_s <= JUMP_S_MOST:
                doubted_s = time_s
                oddities.no_time += 1
                continue
            last_s = time_s
            oddities.rows += 1
            values: dict[str, float] = {}
            try:
                for quantity, index, least, most in limits:
                    value = float(cells[index])
                    if not least <= value <= most:
                        raise ValueError
                    values[quantity] = value
                if b"_" in line:
                    raise ValueError  # Python takes 1_0 for a number, nobody else does
            except (ValueError, IndexError):
                yield self._with_gaps(cells, time_s)
            else:
                yield FileRow(cells[time_index].strip(), time_s, values, _NO_REASONS, ())

    def _with_gaps(self, cells: list[bytes], time_s: float) -> FileRow:
        """Look at a line cell by cell, because one of them is not a plain good value."""
        values: dict[str, float] = {}
        suspect: dict[str, str] = {}
        missing = []
        for quantity, index in self._picked:
            row = QUANTITIES[quantity]
            try:
                value = _number(cells[index])
            except (ValueError, IndexError):
                missing.append(quantity)
                self.oddities.cells[quantity] += 1
                continue
            if row.least <= value <= row.most:
                values[quantity] = value
            else:
                suspect[quantity] = f"outside of {row.least:g} to {row.most:g} {row.unit}".rstrip()
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


def _lines(read: Callable[[int], bytes], oddities: Oddities) -> Iterator[bytes]:
    """Lines without their ends; blank ones are left out, and so is one that goes on for ever."""
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
        for line in lines:
            line = line.rstrip(b"\r")
            if line:
                yield line
        if not block:
            break
        if len(rest) > LINE_BYTES_MOST:
            oddities.no_time += not endless
            rest, endless = b"", True
    # A last line without its end is one all the same; after trouble it is cut off in the middle of something.
    rest = rest.rstrip(b"\r")
    if rest and oddities.cut_off is None and not endless:
        yield rest


def _number(cell: bytes) -> float:
    """A finite number; raises ValueError for anything else."""
    value = float(cell)
    if not math.isfinite(value) or b"_" in cell:
        raise ValueError(cell)
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
