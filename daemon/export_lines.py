"""The two forms in which readings leave the record as text, and how the place is found again where one ended.

CSV is long, one value a line, so that nothing is lost: the reading's boot and seconds, its date where a
trusted clock gives one, instrument, quantity, value, unit, and for a value that is suspect or missing the
reason in its place. Lines are those of line protocol, one reading a line, good values only, time in ns;
a reading without a date can't be one and is left out.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import NamedTuple, Protocol

from daemon.record import Placed
from daemon.record.dating import Dating
from daemon.sending.central_lines import LineMaker
from shared.quantities import QUANTITIES

CSV_HEAD = "time_utc,boot,at_s,instrument,quantity,value,unit,why_not\n"
NS_OF_MS = "000000"
NEAR_S = 2.0  # how far a date may have moved since it was written, because the clock was checked again


class Position(NamedTuple):
    """The reading a line is of; `quantity` is empty where a line holds all of them."""

    boot: int
    at_s: float
    instrument: str
    quantity: str = ""


class Form(Protocol):
    """One form of text; `undated` counts the readings that could not be written for want of a date."""

    head: str
    undated: int

    def lines(self, placed: Placed) -> Sequence[tuple[str, str]]:
        """Give quantity and line, with its end, for each line of one reading."""

    def position(self, line: str, readings: "Readings") -> Position | None:
        """Find the reading of a line that was written before; None when there is none like it."""


class Readings(Protocol):
    """Where readings come from."""

    def around(self, utc_s: float) -> Iterator[Placed]:
        """Give the readings a little before and after a time, seconds since 1970."""


class CsvForm:
    """One value a line."""

    head = CSV_HEAD

    def __init__(self, dating: Dating) -> None:
        """Take the trusted pairs."""
        self.undated = 0
        self._dating = dating
        self._names: dict[tuple[str, str], tuple[str, str]] = {}

    def lines(self, placed: Placed) -> list[tuple[str, str]]:
        """Give quantity and line for each value, good or not."""
        boot, reading = placed
        utc_s = self._dating.utc_of(boot, reading.at_s)
        before = f"{'' if utc_s is None else _iso(utc_s)},{boot},{reading.at_s:.3f},"
        found = []
        for quantity, value in reading.values.items():
            name, unit = self._name(reading.instrument, quantity)
            found.append((quantity, f"{before}{name},{value!r},{unit},\n"))
        if reading.suspect or reading.missing:
            whys = {**reading.suspect, **dict.fromkeys(reading.missing, "missing")}
            for quantity, why in whys.items():
                name, unit = self._name(reading.instrument, quantity)
                found.append((quantity, f"{before}{name},,{unit},{_cell(why)}\n"))
        return found

    def position(self, line: str, readings: Readings) -> Position | None:
        """Read it from the line itself."""
        del readings
        cells = next(csv.reader([line]), [])
        try:
            return Position(int(cells[1]), float(cells[2]), cells[3], cells[4])
        except (IndexError, ValueError):
            return None

    def _name(self, instrument: str, quantity: str) -> tuple[str, str]:
        known = self._names.get((instrument, quantity))
        if known is None:
            row = QUANTITIES.get(quantity)
            known = f"{_cell(instrument)},{_cell(quantity)}", row.unit if row is not None else ""
            self._names[instrument, quantity] = known
        return known


class LineForm:
    """One reading a line, the same lines as those for the central store, with times in ns."""

    head = ""

    def __init__(self, dating: Dating, site: str) -> None:
        """Take the trusted pairs, and the site's name, which every line carries."""
        self.undated = 0
        self._dating = dating
        self._maker = LineMaker(site)

    def lines(self, placed: Placed) -> list[tuple[str, str]]:
        """Give the one line, or none."""
        boot, reading = placed
        utc_s = self._dating.utc_of(boot, reading.at_s)
        if utc_s is None:
            self.undated += 1
            return []
        line = self._maker.reading(reading, round(utc_s * 1000.0) - round(reading.at_s * 1000.0))
        return [] if line is None else [("", f"{line}{NS_OF_MS}\n")]

    def position(self, line: str, readings: Readings) -> Position | None:
        """Find the reading with the same values nearest to the time of the line."""
        head, _, time = line.strip().rpartition(" ")
        if not time.isdecimal():
            return None
        utc_s = int(time) / 1e9
        best: tuple[float, Position] | None = None
        for boot, reading in readings.around(utc_s):
            at_utc_s = self._dating.utc_of(boot, reading.at_s)
            if at_utc_s is None or abs(at_utc_s - utc_s) > NEAR_S:
                continue
            mine = self._maker.reading(reading, 0)
            apart_s = abs(at_utc_s - utc_s)
            if mine is not None and mine.rpartition(" ")[0] == head and (best is None or apart_s < best[0]):
                best = apart_s, Position(boot, reading.at_s, one_line(reading.instrument))
        return None if best is None else best[1]


def _iso(utc_s: float) -> str:
    return datetime.fromtimestamp(round(utc_s, 3), UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _cell(text: str) -> str:
    """One cell of a CSV line; a line end would break the line in two, for us as for others."""
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([one_line(text)])
    return out.getvalue()


def one_line(text: str) -> str:
    """A name as it is written: without what would end the line."""
    return " ".join(text.split()) or "-"
