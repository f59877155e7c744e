"""One axis through all boots of a record: calendar time where a trusted clock tells it, else seconds in order.

A boot that nobody placed in the calendar is put right after what came before it; how long the machine
was off is not known, so its times are told as "boot 3 +5 h", never as a date.
"""

import re
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.errors import ConfigError
from daemon.picture import STATE_NAME
from daemon.record import Moment, RecordReader
from daemon.record.bounds import Bounds
from daemon.record.dating import Dating
from daemon.screens.lettering import span

SPANS_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0, "w": 604_800.0}
SPAN_S_MOST = 100 * 366 * 86_400.0
_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d|w)")
_DATES = ("%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S")


BootTime = tuple[int, float]


@dataclass(frozen=True, slots=True)
class Section:
    """A stretch of the axis that belongs to one undated boot, or is dated (boot None)."""

    begin_x: float
    boot: int | None
    begin_s: float


class Timeline:
    """Gives each time of a record its place on the axis, in seconds; dated places are seconds since 1970."""

    def __init__(self, reader: RecordReader, zone: tzinfo = UTC) -> None:
        """Take the record's trusted pairs as they are now."""
        self.zone = zone
        self._dating = Dating(reader.anchors())
        self._sections: list[Section] = []
        self._boot: int | None = None
        self._last_x = 0.0

    def place(self, boot: int, at_s: float) -> float:
        """Give the place of a time; times must come in the record's order, boot by boot."""
        utc_s = self._dating.utc_of(boot, at_s)
        if boot != self._boot:
            self._boot = boot
            self._begin(None if utc_s is not None else boot, at_s)
        if utc_s is not None:
            x = utc_s
        else:
            section = self._sections[-1]
            x = section.begin_x + at_s - section.begin_s
        self._last_x = max(self._last_x, x)
        return x

    def _begin(self, boot: int | None, at_s: float) -> None:
        if boot is not None:
            self._sections.append(Section(self._last_x, boot, at_s))
        elif not self._sections or self._sections[-1].boot is not None:
            # Dated: never before the undated stretch in front of it, whatever that was placed at.
            self._sections.append(Section(self._last_x, None, 0.0))

    def boot_time(self, moment: Moment | None) -> BootTime | None:
        """Give a moment as boot and seconds: of the boot that was running then, or had run last."""
        if not isinstance(moment, datetime):
            return moment
        return self._dating.moment_of(moment.timestamp()) or (0, 0.0)

    def section_at(self, x: float) -> Section | None:
        """The stretch a place lies in."""
        at = bisect_right(self._sections, x, key=lambda section: section.begin_x)
        return self._sections[max(0, at - 1)] if self._sections else None

    def utc_at(self, x: float) -> datetime | None:
        """The date and time of a place, None where none is known."""
        section = self.section_at(x)
        return None if section is None or section.boot is not None else datetime.fromtimestamp(x, UTC)

    def local_shift_s(self, x: float) -> float:
        """How far local time is ahead of the axis there, s; 0 where no date is known."""
        utc = self.utc_at(x)
        offset = None if utc is None else utc.astimezone(self.zone).utcoffset()
        return 0.0 if offset is None else offset.total_seconds()

    def words(self, x: float, form: str = "%Y-%m-%d %H:%M") -> str:
        """Say where a place lies: local date and time, or boot and time since it began."""
        utc = self.utc_at(x)
        if utc is not None:
            return utc.astimezone(self.zone).strftime(form)
        section = self.section_at(x)
        if section is None:
            return "?"
        return f"boot {section.boot} +{span(max(0.0, x - section.begin_x + section.begin_s))}"

    @property
    def undated_boots(self) -> list[int]:
        """Numbers of the boots placed so far that have no date, oldest first."""
        return list(dict.fromkeys(section.boot for section in self._sections if section.boot is not None))

    @property
    def dated(self) -> bool:
        """Whether every time placed so far has a date."""
        return all(section.boot is None for section in self._sections)


def bounds_words(bounds: Bounds) -> str:
    """Say between which times something lies that has no date."""
    after, before = (None if s is None else f"{datetime.fromtimestamp(s, UTC):%Y-%m-%d %H:%MZ}" for s in bounds)
    if after is not None and before is not None:
        return f"between {after} and {before}"
    if after is None and before is None:
        return "nothing tells when"
    return f"after {after}" if after is not None else f"before {before}"


def undated_words(reader: RecordReader, boots: Iterable[int]) -> list[str]:
    """Say of each boot without a date between which times all that it recorded lies."""
    first_s = {entry.number: entry.first_s for entry in reader.boots()}
    found = []
    for boot in boots:
        after, _ = reader.bounds_of(boot, first_s.get(boot, 0.0))
        _, before = reader.bounds_of(boot, reader.newest_of_boot_s(boot))
        found.append(f"boot {boot} has no date: {bounds_words(Bounds(after, before))}")
    return found


# -- since and until ---------------------------------------------------------------------------


def moment_of(text: str | None, reader: RecordReader, zone: tzinfo) -> Moment | None:
    """Read what a person gave for --since or --until.

    Args:
        text: a span back from the newest reading, such as 2d, 36h or 90min, or a local date and time.
        reader: the record it is meant for.
        zone: where the date and time are local.
    Raises: ConfigError: it is neither.
    """
    if text is None:
        return None
    found = _SPAN.fullmatch(text.strip().lower())
    if found:
        return _back(min(SPAN_S_MOST, float(found[1]) * SPANS_S[found[2]]), reader)
    for form in _DATES:
        try:
            return datetime.strptime(text.strip(), form).replace(tzinfo=zone)
        except ValueError:
            continue
    raise ConfigError.of("time", "a span back such as 2d, 36h or 90min, or a date such as 2026-01-31 18:00", value=text)


def _back(span_s: float, reader: RecordReader) -> Moment | None:
    newest = reader.newest_s()
    if newest is None:
        return None
    boot, at_s = newest
    utc_s = reader.utc_of(boot, at_s)
    if utc_s is not None:
        return datetime.fromtimestamp(max(0.0, utc_s - span_s), UTC)
    # Nobody can tell how long the machine was off before, so the span ends where this boot began.
    return boot, max(0.0, at_s - span_s)


def zone_of(reader: RecordReader, named: str | None = None) -> tzinfo:
    """The site's time zone: as named, else as the service left it in the record, else UTC."""
    saved = None if named is not None else reader.saved(STATE_NAME)
    name = named or (saved.body.get("timezone") if saved is not None else None)
    if not isinstance(name, str):
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        if named is not None:
            raise ConfigError.of("--timezone", "a name such as America/New_York", value=named) from None
        return UTC
