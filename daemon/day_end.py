"""Writes the daybook's rows when a day is over, and those of days that have got their date since.

It looks at the clock each minute of elapsed time instead of asking a scheduler to be woken at midnight:
a step of the clock, forwards or back over years, then costs nothing and misses nothing, no job has to
be made anew, and a scheduler's 4.7 MiB stay free. Without a trusted clock a day is 24 h from boot.
"""

import asyncio
import logging
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.daybook import DaybookMaker, DayPlace
from daemon.errors import StoreError
from daemon.record import Anchor, Day, RecordReader
from shared.daybook import DAY_S, midnight_s

log = logging.getLogger("halfmark.daybook")

SETTLE_S = 120.0  # after a day's end, or a start, until its last readings are in the record
ROWS_A_TURN = 2  # so that a year of days made after an update keeps no processor and no memory busy


class DayEnd:
    """Follows the days of one service.

    Attributes:
        day: the local date now, or which day since boot; None before the first look.
    """

    def __init__(self, folder: Path, *, keep: Callable[[list[Day], list[str]], object]) -> None:
        """Nothing is read yet.

        Args:
            folder: of the record.
            keep: takes rows for the next commit, and the names of those that go.
        """
        self.day: str | None = None
        self._folder = folder
        self._keep = keep
        self._due_s: float | None = None
        self._work: asyncio.Task[None] | None = None

    def look(self, now_s: float, anchor: Anchor | None, timezone: str) -> float | None:
        """See whether another day has begun; rows are then made a little later, beside everything else.

        Args:
            now_s: seconds since boot.
            anchor: the newest trusted pair of this boot, if any.
            timezone: of the site.
        Returns: when another day has begun that has a date: its midnight, seconds since boot; else None.
        """
        zone = zone_named(timezone)
        day, midnight = day_now(now_s, anchor, zone)
        is_new = day != self.day
        if is_new:
            self.day = day
            self._due_s = now_s + SETTLE_S
        if self._due_s is not None and now_s >= self._due_s and (self._work is None or self._work.done()):
            self._due_s = None
            self._work = asyncio.get_running_loop().create_task(self._make(zone), name="daybook")
        return midnight if is_new else None

    async def _make(self, zone: tzinfo) -> None:
        try:
            rows, gone, more = await asyncio.to_thread(due_rows, self._folder, zone, ROWS_A_TURN)
        except StoreError as why:
            log.warning("the daybook's rows can't be made now, and are when the next day ends: %s", why)
            return
        if rows or gone:
            self._keep(rows, gone)
        if more:
            self._due_s = 0.0


def zone_named(timezone: str) -> tzinfo:
    """Give a time zone by its name; UTC where this machine does not know it."""
    try:
        return ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


def day_now(now_s: float, anchor: Anchor | None, zone: tzinfo) -> tuple[str, float | None]:
    """Give the present day's name, and with a date its midnight in seconds since boot."""
    if anchor is None:
        return f"day {int(now_s // DAY_S) + 1} from boot", None
    utc_s = anchor.utc_s + now_s - anchor.at_s
    day = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).date()
    return day.isoformat(), now_s - (utc_s - midnight_s(day, zone))


def due_rows(folder: Path, zone: tzinfo, most: int) -> tuple[list[Day], list[str], bool]:
    """Make the rows that the record does not have yet of days that are over.

    Args:
        folder: of the record.
        zone: whose days count.
        most: how many at once.
    Returns: the rows, oldest first; the names of rows to be taken out, because a boot in them has got its date
        since; whether there is more to do.
    Raises: StoreError: the record can't be read.
    """
    with RecordReader(folder) as reader:
        maker = DaybookMaker(reader, zone)
        days = maker.days()
        kept = reader.days()
        there = {day.span.name for day in days}
        gone = [day for day in kept if day.name.startswith("boot ") and day.name not in there]
        if gone:
            boots = {day.boot for day in gone}
            return [], [*(day.name for day in gone), *(d.span.name for d in days if _touches(d, boots, reader))], True
        names = {day.name for day in kept}
        due = [day for day in days if day.whole and day.span.name not in names]
        return [maker.stored(day, maker.row(day)) for day in due[:most]], [], len(due) > most


def _touches(day: DayPlace, boots: set[int], reader: RecordReader) -> bool:
    """Whether a dated day has something of these boots, which were placed in the calendar after it was made."""
    if day.boot is not None:
        return False
    for boot in boots:
        begin, end = reader.utc_of(boot, 0.0), reader.utc_of(boot, reader.newest_of_boot_s(boot))
        if begin is not None and end is not None and begin < day.span.end_s and end > day.span.begin_s:
            return True
    return False
