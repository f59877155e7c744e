"""The last day and the last month of a record, read by the one who looks, a bit at a time.

Charge and energy are gathered in slots of ten minutes. Times of other boots are placed by trusted
clocks; without one only the present boot is known, which is said by leaving the rest blank.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta, tzinfo
from itertools import islice
from time import monotonic
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.picture import Picture
from daemon.record import RecordReader
from daemon.record.contents import Placed
from daemon.screens.curve import Band
from shared.readings import Reading
from shared.station import ESTIMATOR

SLOT_S = 600.0
DAY_S = 86_400.0
DAYS = 30
LATE_S = 15.0  # readings of the last seconds may still be waiting for their commit
HOLD_S = 90.0  # a value stands for this long at most
DARK_SHARE = 0.01  # of the day's best sun; less than that is night
DARK_SLOTS = 12  # this long dark is a night and not a cloud
UNKNOWN_SLOTS = 48  # and so is this long without light, measured or not
LOOK_EVERY_S = 1800.0  # between two looks at the charge of a day long past
READINGS_AT_ONCE = 500
SUMMED = ("panel_w", "charge_a", "load_a")


@dataclass(slots=True)
class Slot:
    """Ten minutes: sums of the estimate, and what flowed."""

    count: int = 0
    soc_sum: float = 0.0
    sigma_sum: float = 0.0
    lowest: float = 2.0
    flowed: dict[str, float] = field(default_factory=dict)  # quantity -> its integral over time, unit x s
    held_s: dict[str, float] = field(default_factory=dict)  # quantity -> how long it was known, s

    def band(self) -> Band | None:
        """Charge in these ten minutes; None without an estimate."""
        if not self.count:
            return None
        soc, sigma = self.soc_sum / self.count, self.sigma_sum / self.count
        return Band(max(0.0, soc - sigma), soc, min(1.0, soc + sigma))


@dataclass(frozen=True, slots=True)
class Harvest:
    """What the sun gave and what was drawn; None where it was not measured.

    Attributes:
        panel_wh, charge_ah: since the last night by the panel's own light.
        load_ah: through the controller's load output in the last 24 h.
        draw_a: mean of all that was drawn in the last 24 h, from bank and charger together.
        net_ah: what the bank gained in the last 24 h.
    """

    panel_wh: float | None = None
    charge_ah: float | None = None
    load_ah: float | None = None
    draw_a: float | None = None
    net_ah: float | None = None


@dataclass(frozen=True, slots=True)
class LastDay:
    """The last 24 h: (hours before now, below 0, charge), and the sums."""

    charge: tuple[tuple[float, Band], ...] = ()
    harvest: Harvest = Harvest()
    complete: bool = False


@dataclass(frozen=True, slots=True)
class DayRange:
    """Lowest and highest charge of one day, as seen each half hour."""

    name: str
    lowest: float
    highest: float
    looks: int


class Axis:
    """Places (boot, seconds) of a record on one line of seconds on which the picture is at `now`."""

    def __init__(self, reader: RecordReader, picture: Picture, *, saved_boot: int | None = None) -> None:
        """Take the picture's own time as the present; `saved_boot` is its boot's number, if known."""
        boot_id = picture.get("boot_id")
        number = saved_boot if saved_boot is not None else reader.boot_number(boot_id) if boot_id else None
        newest = reader.newest_s()
        self.boot = number if number is not None else newest[0] if newest else 0
        self.at_s = picture["at_s"]
        self._utc_s = reader.utc_of(self.boot, self.at_s)
        self._reader = reader

    @property
    def dated(self) -> bool:
        """Whether the calendar is known, so that other boots can be placed."""
        return self._utc_s is not None

    @property
    def now(self) -> float:
        """The present on the line."""
        return self.at_s if self._utc_s is None else self._utc_s

    def place(self, boot: int, at_s: float) -> float | None:
        """Place a time; None when nobody knows where it belongs."""
        if boot == self.boot:
            return self.now + at_s - self.at_s
        return self._reader.utc_of(boot, at_s) if self.dated else None

    def moment(self, at: float) -> tuple[int, float] | datetime:
        """Give a place on the line as a moment of the record."""
        if self.dated:
            return datetime.fromtimestamp(max(0.0, at), UTC)
        return self.boot, max(0.0, self.at_s + at - self.now)


class PastDay:
    """Reads the last 24 h once, then only what is new."""

    def __init__(self) -> None:
        self._slots: dict[int, Slot] = {}
        self._last: dict[str, tuple[float, Reading]] = {}
        self._until: float | None = None  # read up to here
        self._kind: tuple[bool, int] | None = None
        self._bank_from: str | None = None
        self._going: Iterator[Placed] | None = None
        self._goal = 0.0

    def begin_anew(self) -> None:
        """Forget everything that was gathered."""
        self._slots.clear()
        self._last.clear()
        self._until, self._going = None, None

    def read(self, reader: RecordReader, axis: Axis, picture: Picture, *, limit_s: float) -> bool:
        """Read on for about so long.

        Args:
            reader: of the record.
            axis: made from this picture and reader.
            picture: tells which instrument measures the bank's current.
            limit_s: roughly how long this may take, s.
        Returns: whether all there is has been read.
        Raises: StoreError: the record can't be read now.
        """
        row = picture["quantities"].get("bank_a")
        kind = (axis.dated, 0 if axis.dated else axis.boot)
        if kind != self._kind:
            self.begin_anew()
            self._kind = kind
        self._bank_from = row["instrument"] if row else self._bank_from
        until_s = monotonic() + limit_s
        if self._going is None:
            self._begin(reader, axis)
        assert self._going is not None
        while monotonic() < until_s:
            some = list(islice(self._going, READINGS_AT_ONCE))
            for placed in some:
                self._take(axis, placed)
            if len(some) < READINGS_AT_ONCE:
                self._going, self._until = None, self._goal
                self._forget_before(axis.now - DAY_S)
                return True
        return False

    def _begin(self, reader: RecordReader, axis: Axis) -> None:
        self._goal = axis.now - LATE_S
        since = max(axis.now - DAY_S, self._until if self._until is not None else 0.0)
        self._going = reader.readings(since=axis.moment(since), until=axis.moment(max(since, self._goal)))

    def _take(self, axis: Axis, placed: Placed) -> None:
        at, reading = axis.place(placed.boot, placed.reading.at_s), placed.reading
        if at is None:
            return
        if reading.instrument == ESTIMATOR:
            self._estimate(at, reading)
            return
        before = self._last.get(reading.instrument)
        self._last[reading.instrument] = (at, reading)
        if before is not None and 0.0 < at - before[0] <= HOLD_S:
            self._flow(before[0], at - before[0], before[1])

    def _estimate(self, at: float, reading: Reading) -> None:
        soc, sigma = reading.values.get("soc_frac"), reading.values.get("soc_sigma", 0.0)
        if soc is None:
            return
        slot = self._slots.setdefault(int(at // SLOT_S), Slot())
        slot.count += 1
        slot.soc_sum += soc
        slot.sigma_sum += sigma
        slot.lowest = min(slot.lowest, soc)

    def _flow(self, at: float, for_s: float, reading: Reading) -> None:
        slot = self._slots.setdefault(int(at // SLOT_S), Slot())
        names = (*SUMMED, "bank_a") if reading.instrument == self._bank_from else SUMMED
        for name in names:
            value = reading.values.get(name)
            if value is not None:
                slot.flowed[name] = slot.flowed.get(name, 0.0) + value * for_s
                slot.held_s[name] = slot.held_s.get(name, 0.0) + for_s

    def _forget_before(self, at: float) -> None:
        for number in [n for n in self._slots if (n + 1) * SLOT_S < at]:
            del self._slots[number]

    def told(self, now: float, *, complete: bool = True) -> LastDay:
        """Give what was gathered, as seen from `now` on the axis."""
        slots = sorted((n, slot) for n, slot in self._slots.items() if n * SLOT_S > now - DAY_S - SLOT_S)
        charge = tuple(
            (((n + 0.5) * SLOT_S - now) / 3600.0, band) for n, slot in slots if (band := slot.band()) is not None
        )
        return LastDay(charge, _harvest(slots), complete)


def _harvest(slots: list[tuple[int, Slot]]) -> Harvest:
    today = _since_dawn(slots)
    charge_as, net_as = _sum(slots, "charge_a"), _sum(slots, "bank_a")
    load_as, known_s = _sum(slots, "load_a"), _held_s(slots, "bank_a")
    if charge_as is not None and net_as is not None and known_s >= 3600.0:
        draw_a = (charge_as - net_as) / known_s
    elif load_as is not None and _held_s(slots, "load_a") >= 3600.0:
        draw_a = load_as / _held_s(slots, "load_a")
    else:
        draw_a = None
    return Harvest(
        panel_wh=_hourly(_sum(today, "panel_w")),
        charge_ah=_hourly(_sum(today, "charge_a")),
        load_ah=_hourly(load_as),
        draw_a=draw_a,
        net_ah=_hourly(net_as),
    )


def _since_dawn(slots: list[tuple[int, Slot]]) -> list[tuple[int, Slot]]:
    """The slots of the last light, with the dusk and the night after it; what was not measured is no night."""
    suns = {n: sun for n, slot in slots if (sun := _sun_of(slot)) is not None}
    bright = max(suns.values(), default=0.0) * DARK_SHARE
    light = [n for n, sun in suns.items() if sun > bright]
    if bright <= 0.0 or not light:
        return slots
    dawn = light[-1]
    for earlier, later in zip(reversed(light[:-1]), reversed(light), strict=False):
        dark = sum(n in suns for n in range(earlier + 1, later))
        if dark > DARK_SLOTS or later - earlier > UNKNOWN_SLOTS:
            break
        dawn = earlier
    return [(n, slot) for n, slot in slots if n >= dawn]


def _sun_of(slot: Slot) -> float | None:
    return slot.flowed.get("panel_w", slot.flowed.get("charge_a"))


def _sum(slots: list[tuple[int, Slot]], name: str) -> float | None:
    parts = [slot.flowed[name] for _, slot in slots if name in slot.flowed]
    return sum(parts) if parts else None


def _held_s(slots: list[tuple[int, Slot]], name: str) -> float:
    return sum(slot.held_s.get(name, 0.0) for _, slot in slots)


def _hourly(value: float | None) -> float | None:
    return None if value is None else value / 3600.0


def zone_of(raw: Mapping[str, object]) -> tzinfo:
    """The time zone a picture names; UTC when it names none that is known here."""
    name = raw.get("timezone")
    try:
        return ZoneInfo(name) if isinstance(name, str) and name else UTC
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


def days_past(reader: RecordReader, axis: Axis, zone: tzinfo = UTC, days: int = DAYS) -> Iterator[DayRange]:
    """Give the range of the charge of each day, this one first; a day without an estimate is left out.

    A day is one of the calendar where the clock is trusted, else 24 h counted back from now.

    Args:
        reader: of the record.
        axis: made from the picture that is looked at.
        zone: whose days.
        days: how many at most.
    """
    end = axis.now
    for number in range(days):
        start, name = _day(axis, zone, number)
        looks = list(_looks(reader, axis, start, end))
        if looks:
            yield DayRange(name, min(looks), max(looks), len(looks))
        end = start


def _day(axis: Axis, zone: tzinfo, number: int) -> tuple[float, str]:
    """Where a day begins, and its name."""
    if not axis.dated:
        return axis.now - (number + 1) * DAY_S, "last 24 h" if number == 0 else f"{number} d before"
    date = datetime.fromtimestamp(axis.now, zone).date() - timedelta(days=number)
    return datetime.combine(date, time(), zone).timestamp(), date.isoformat()


def _looks(reader: RecordReader, axis: Axis, start: float, end: float) -> Iterator[float]:
    at = start
    while at < end:
        nxt = min(at + LOOK_EVERY_S, end)
        if not axis.dated and axis.at_s + at - axis.now < 0.0:
            at = nxt
            continue
        readings = reader.readings(ESTIMATOR, "soc_frac", since=axis.moment(at), until=axis.moment(nxt))
        found = next(readings, None)
        if found is not None and "soc_frac" in found.reading.values:
            yield found.reading.values["soc_frac"]
        at = nxt
