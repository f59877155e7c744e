"""The daybook's arithmetic: which stretch of time is a day, what went in and out in it, and why some of it is missing.

A day is the local civil day, 23 or 25 hours long when the clocks change; for a boot without a trusted
clock it is 24 hours from boot. Charge and energy are added up minute by minute: what goes in and out
within the same minute is set off against each other, as it is for the bank.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import UTC, date, datetime, timedelta, tzinfo
from math import floor
from types import MappingProxyType
from typing import NamedTuple

from shared.site import Bank

DAY_S = 86_400.0
HEAT = ("bank_c", "controller_c", "enclosure_c", "computer_c")
OFF_SHARE = 0.25  # of what the loads draw idle: below it they are off (engineering judgement, no source)

# Why nothing was recorded between two runs of the service, told by the later one.
ENDINGS: Mapping[str, str] = MappingProxyType(
    {
        "stop": "the service was stopped",
        "crash": "the service ended on its own while the machine ran on",
        "reboot": "the machine was shut down or restarted in good order",
        "power cut": "the machine went down without warning: power lost, or hung",
        "disconnect": "the machine went down without warning with the bank at its low end: a low-voltage disconnect",
        "set aside": "the record was found damaged and set aside",
    }
)
SILENT = "silent"  # missing while the service ran: instruments did not answer
UNTOLD = "not told"  # missing between two runs without a word about it

# Voltage of a cell under load at which a controller commonly disconnects, with room (common practice, no source).
LOW_CELL_V: Mapping[str, float] = MappingProxyType({"flooded": 1.97, "agm": 1.97, "gel": 1.97, "lifepo4": 3.05})


def ending(bank: Bank, *, same_boot: bool, stopped: bool, bank_v: float | None) -> str:
    """Say how the last run of the service ended.

    Args:
        bank: as configured.
        same_boot: the machine has not started anew since.
        stopped: that run left word that it was stopped.
        bank_v: the whole bank's voltage that it recorded last, V; None when not known.
    Returns: a key of ENDINGS.
    """
    if same_boot:
        return "stop" if stopped else "crash"
    if stopped:
        return "reboot"
    is_low = bank_v is not None and bank_v <= bank.cells * LOW_CELL_V[bank.chemistry]
    return "disconnect" if is_low else "power cut"


# -- days --------------------------------------------------------------------------------------


class Span(NamedTuple):
    """A day: its name, and where it begins and ends, in seconds since 1970 or, undated, since boot."""

    name: str
    begin_s: float
    end_s: float


def civil_days(begin_utc_s: float, end_utc_s: float, zone: tzinfo) -> Iterator[Span]:
    """Give the local days that touch a stretch of time, whole ones, oldest first.

    Args:
        begin_utc_s, end_utc_s: the stretch, seconds since 1970.
        zone: whose midnights count. A midnight that does not exist is where the clocks jump over it; of two the first.
    """
    # A datetime rounds to whole microseconds, which may be past midnight already.
    day = datetime.fromtimestamp(floor(begin_utc_s), UTC).astimezone(zone).date()
    begin_s = midnight_s(day, zone)
    while begin_s < end_utc_s:
        following = day + timedelta(days=1)
        end_s = midnight_s(following, zone)
        if end_s <= begin_utc_s or end_s <= begin_s:  # the hour before a second midnight; a date that was left out
            day, begin_s = following, max(begin_s, end_s)
            continue
        yield Span(day.isoformat(), begin_s, end_s)
        day, begin_s = following, end_s


def midnight_s(day: date, zone: tzinfo) -> float:
    """Give the beginning of a local day, seconds since 1970."""
    return datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()


def boot_days(boot: int, end_s: float) -> Iterator[Span]:
    """Give the days of a boot nobody has placed, 24 h each from its start."""
    number = 0
    while number * DAY_S < end_s:
        yield Span(f"boot {boot} day {number + 1}", number * DAY_S, (number + 1) * DAY_S)
        number += 1


# -- what a day holds --------------------------------------------------------------------------


class Minute(NamedTuple):
    """What one minute tells of the bank.

    Attributes:
        at_s: when it begins.
        charge_as: current times time, A s, positive into the bank; over the part that was measured.
        covered_s: how much of it was measured, s.
        bank_v: mean voltage, V; None when not known.
    """

    at_s: float
    charge_as: float
    covered_s: float
    bank_v: float | None


@dataclass(slots=True)
class DayRow:
    """One row of the daybook; what is not known is None.

    Attributes:
        name: the date, or which day of which boot.
        span_s: how long it is or was so far, s; 82,800 or 90,000 for a whole day when the clocks change.
        whole: whether it is over.
        seen_s: time for which the bank's current was known, s.
        ah_in, ah_out, wh_in, wh_out: into and out of the bank, at its terminals.
        least_soc: lowest charge, 0 to 1.
        heat: highest temperature by quantity, C.
        keyings, keyed_s, longest_s, airtime_seen_s: the transmitter's, of the time that was looked at.
        off_air_s: the loads had no power, as far as that was seen, and for gaps that end in a disconnect.
        blind_s: nothing was recorded.
        blind: the same by reason.
    """

    name: str
    span_s: float
    whole: bool = True
    seen_s: float = 0.0
    ah_in: float | None = None
    ah_out: float | None = None
    wh_in: float | None = None
    wh_out: float | None = None
    least_soc: float | None = None
    heat: dict[str, float] = field(default_factory=dict)
    keyings: float | None = None
    keyed_s: float | None = None
    longest_s: float | None = None
    airtime_seen_s: float | None = None
    off_air_s: float | None = None
    blind_s: float = 0.0
    blind: dict[str, float] = field(default_factory=dict)

    @property
    def is_dated(self) -> bool:
        """Whether it has a date."""
        return not self.name.startswith("boot ")

    @property
    def length_words(self) -> str:
        """How long it is, where that is not 24 h: "23 h", "25 h", "so far"."""
        if not self.whole:
            return "so far"
        return "" if abs(self.span_s - DAY_S) < 1.0 else f"{self.span_s / 3600.0:.3g} h"

    def add_minutes(self, minutes: Iterable[Minute]) -> None:
        """Add charge and energy up."""
        for minute in minutes:
            self.seen_s += minute.covered_s
            ah = minute.charge_as / 3600.0
            self.ah_in = (self.ah_in or 0.0) + max(0.0, ah)
            self.ah_out = (self.ah_out or 0.0) + max(0.0, -ah)
            if minute.bank_v is not None:
                self.wh_in = (self.wh_in or 0.0) + max(0.0, ah) * minute.bank_v
                self.wh_out = (self.wh_out or 0.0) + max(0.0, -ah) * minute.bank_v

    def add_gaps(self, span: Span, gaps: Iterable[tuple[float, float, str]]) -> None:
        """Tell why the rest was not seen: by the gaps between runs, what is left over by silent instruments.

        Args:
            span: the part of the day that there is a record about.
            gaps: begin, end and reason of each, on the same clock.
        """
        left_s = self.blind_s = max(0.0, span.end_s - span.begin_s - self.seen_s)
        for begin_s, end_s, why in gaps:
            part_s = min(left_s, max(0.0, min(end_s, span.end_s) - max(begin_s, span.begin_s)))
            if part_s > 0.0:
                self.blind[why] = self.blind.get(why, 0.0) + part_s
                left_s -= part_s
        if left_s > 0.0:
            self.blind[SILENT] = left_s
        if "disconnect" in self.blind:
            self.off_air_s = (self.off_air_s or 0.0) + self.blind["disconnect"]

    def body(self) -> dict[str, object]:
        """Give it as JSON can hold it, without the name."""
        return {key: value for key, value in asdict(self).items() if key != "name" and value is not None}

    @classmethod
    def of(cls, name: str, body: Mapping[str, object]) -> "DayRow":
        """Take one back; what a later release wrote beside is left alone."""
        known = {row.name for row in fields(cls)}
        return cls(name, **{"span_s": DAY_S, **{key: value for key, value in body.items() if key in known}})  # type: ignore[arg-type]


def total(rows: Sequence[DayRow]) -> DayRow | None:
    """Add days up to one row; None when there are none."""
    if not rows:
        return None
    whole = DayRow(f"{len(rows)} days", 0.0)
    for row in rows:
        whole.span_s += row.span_s
        whole.seen_s += row.seen_s
        whole.blind_s += row.blind_s
        for name in ("ah_in", "ah_out", "wh_in", "wh_out", "keyings", "keyed_s", "airtime_seen_s", "off_air_s"):
            value = getattr(row, name)
            if value is not None:
                setattr(whole, name, (getattr(whole, name) or 0.0) + value)
        whole.least_soc = _extreme(min, whole.least_soc, row.least_soc)
        whole.longest_s = _extreme(max, whole.longest_s, row.longest_s)
        for quantity, value in row.heat.items():
            whole.heat[quantity] = max(value, whole.heat.get(quantity, value))
        for why, value in row.blind.items():
            whole.blind[why] = whole.blind.get(why, 0.0) + value
    return whole


def _extreme(which: Callable[[list[float]], float], one: float | None, other: float | None) -> float | None:
    known = [value for value in (one, other) if value is not None]
    return which(known) if known else None


def hours_profile(means: Iterable[tuple[float, float, float]], zone: tzinfo) -> tuple[float | None, ...]:
    """Give the usual value at each hour of the local day.

    Args:
        means: of many stretches, each within one hour: when it began, seconds since 1970, its mean, its weight
            (such as the seconds it was measured).
        zone: whose hours count.
    Returns: shape (24,), the weighted mean of what fell into each hour of the day; None where nothing did.
    """
    total_of, weight_of = [0.0] * 24, [0.0] * 24
    for utc_s, mean, weight in means:
        hour = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).hour
        total_of[hour] += mean * weight
        weight_of[hour] += weight
    return tuple(whole / weight if weight > 0.0 else None for whole, weight in zip(total_of, weight_of, strict=True))
