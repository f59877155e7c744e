"""Makes the daybook's rows out of the record: which days there are, and what the minutes in them add up to.

A minute counts to the day in which it begins; minutes count from the start of a boot, so one that
midnight falls into may be up to 59 s off.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import NamedTuple

from attrs import frozen

from daemon.daybook_sources import DaybookSources
from daemon.record import Day, RecordReader, Rollup
from daemon.record.dating import Dating
from shared.daybook import OFF_SHARE, UNTOLD, DayRow, Minute, Span, boot_days, civil_days, hours_profile
from shared.station import ESTIMATOR

DAYS_MOST = 40_000  # a century and more: a wrong anchor must not make a daybook without end
ENDS_MOST_S = 1.0
PART_S = 6.0 * 3600.0  # of a day that is looked at at once

Place = tuple[int, float]  # boot, seconds since its start
Gap = tuple[float, float, str]  # begin, end, why


class AirtimeHour(NamedTuple):
    """An hour of the transmitter, as the service's saved state has it."""

    begin_s: float
    seen_s: float
    part_s: float
    keyings: float
    keyed_s: float
    longest_s: float


@frozen
class DayPlace:
    """A day of the record.

    Attributes:
        span: the day.
        boot: None for a dated day, else the boot whose seconds the span counts.
        begin: where it begins in the record's own order.
        seen: the part of it that there is a record about, on the span's clock.
        whole: whether it is over.
    """

    span: Span
    boot: int | None
    begin: Place
    seen: Span
    whole: bool


class DaybookMaker:
    """Makes rows for one record, as it is when this is made."""

    def __init__(self, reader: RecordReader, zone: tzinfo, sources: DaybookSources | None = None) -> None:
        """Look over the record's boots.

        Args:
            reader: of the record.
            zone: whose days count.
            sources: where the figures come from; None takes what the record says.
        """
        self._reader = reader
        self._zone = zone
        self._sources = sources or DaybookSources.from_record(reader)
        self._dating = Dating(reader.anchors())
        self._first_s = {entry.number: entry.first_s for entry in reader.boots()}
        self._newest_s = {boot: reader.newest_of_boot_s(boot) for boot in self._first_s}
        self._airtime = _airtime_rows(reader)
        self._runs = reader.runs()

    # -- which days there are ------------------------------------------------------------------

    def days(self) -> list[DayPlace]:
        """Give every day of the record, in the record's own order."""
        found = [*self._dated_days(), *self._undated_days()]
        return sorted(found, key=lambda place: (place.begin, place.span.name))[:DAYS_MOST]

    def _dated_days(self) -> Iterator[DayPlace]:
        stretches = []
        for boot, first_s in self._first_s.items():
            begin, end = self._dating.utc_of(boot, first_s), self._dating.utc_of(boot, self._newest_s[boot])
            if begin is not None and end is not None and end > begin:
                stretches.append((begin, end))
        if not stretches:
            return
        first, last = min(begin for begin, _ in stretches), max(end for _, end in stretches)
        for span in civil_days(first, last, self._zone):
            place = self._first_in(max(span.begin_s, first), span.end_s)
            seen = Span(span.name, max(span.begin_s, first), min(span.end_s, last))
            yield DayPlace(span, None, place, seen, span.end_s <= last)

    def _first_in(self, begin_utc_s: float, end_utc_s: float) -> Place:
        """Where a dated day begins in the record's order: in a pause before a boot of that day, with that boot."""
        boot, at_s = self._dating.moment_of(begin_utc_s) or (0, 0.0)
        if at_s <= self._newest_s.get(boot, at_s):
            return boot, at_s
        for later, first_s in self._first_s.items():
            utc_s = self._dating.utc_of(later, first_s) if later > boot else None
            if utc_s is not None:
                return (later, first_s) if utc_s < end_utc_s else (boot, at_s)
        return boot, at_s

    def _undated_days(self) -> Iterator[DayPlace]:
        newest = max(self._first_s, default=0)
        for boot, first_s in self._first_s.items():
            if self._dating.utc_of(boot, 0.0) is not None or self._newest_s[boot] <= first_s:
                continue
            for span in boot_days(boot, self._newest_s[boot]):
                if span.end_s <= first_s:
                    continue
                begin_s, end_s = max(span.begin_s, first_s), min(span.end_s, self._newest_s[boot])
                whole = boot < newest or span.end_s <= self._newest_s[boot]
                yield DayPlace(span, boot, (boot, begin_s), Span(span.name, begin_s, end_s), whole)

    # -- one row -------------------------------------------------------------------------------

    def row(self, day: DayPlace) -> DayRow:
        """Work a day out."""
        span_s = day.span.end_s - day.span.begin_s if day.whole else day.seen.end_s - day.span.begin_s
        row = DayRow(day.span.name, span_s, day.whole)
        for part in _parts(day.span):
            self._add_part(row, day, part)
        self._add_airtime(row, day)
        row.add_gaps(day.seen, self._gaps(day.boot))
        return row

    def _add_part(self, row: DayRow, day: DayPlace, part: Span) -> None:
        """Add a few hours of a day: a whole one of every quantity at once would cost the service megabytes."""
        row.add_minutes(self._minutes(day, part))
        least = min((r.least for _, r in self._rollups(day, part, ESTIMATOR, "soc_frac")), default=row.least_soc)
        if least is not None:
            row.least_soc = least if row.least_soc is None else min(least, row.least_soc)
        for instrument, quantity in self._sources.heat:
            hottest = max((r.most for _, r in self._rollups(day, part, instrument, quantity)), default=None)
            if hottest is not None:
                row.heat[quantity] = max(hottest, row.heat.get(quantity, hottest))
        off_s = self._off_air_s(day, part)
        if off_s is not None:
            row.off_air_s = (row.off_air_s or 0.0) + off_s

    def stored(self, day: DayPlace, row: DayRow) -> Day:
        """Give a row as the record keeps it."""
        return Day(row.name, *day.begin, row.body())

    def _at(self, day: DayPlace, boot: int, at_s: float) -> float | None:
        """A time on the day's clock; None when it is not on it."""
        if day.boot is not None:
            return at_s if boot == day.boot else None
        return self._dating.utc_of(boot, at_s)

    def _rollups(self, day: DayPlace, part: Span, instrument: str, quantity: str) -> Iterator[tuple[float, Rollup]]:
        """The minutes of a part, or its hours where minutes are gone, each with its time on the day's clock."""
        is_there = False
        for found in self._of(day, part, instrument, quantity, "minute"):
            is_there = True
            yield found
        if not is_there:
            yield from self._of(day, part, instrument, quantity, "hour")

    def _of(
        self, day: DayPlace, part: Span, instrument: str, quantity: str, step: str
    ) -> Iterator[tuple[float, Rollup]]:
        if day.boot is not None:
            since, until = (day.boot, part.begin_s), (day.boot, part.end_s)
            rollups = self._reader.rollups(instrument, quantity, since, until, step)
        else:
            begin, end = (datetime.fromtimestamp(s, UTC) for s in (part.begin_s, part.end_s))
            rollups = self._reader.rollups(instrument, quantity, begin, end, step)
        for rollup in rollups:
            at = self._at(day, rollup.boot, rollup.at_s)
            if at is not None and part.begin_s <= at < part.end_s:
                yield at, rollup

    def _minutes(self, day: DayPlace, part: Span) -> Iterator[Minute]:
        """The bank's minutes: every part of its current must be there."""
        parts = [
            {(rollup.boot, rollup.at_s): (sign, rollup) for _, rollup in self._rollups(day, part, name, quantity)}
            for name, quantity, sign in self._sources.currents
        ]
        if not parts:
            return
        volts = self._volts(day, part)
        for place in parts[0]:
            terms = [one[place] for one in parts if place in one]
            if len(terms) < len(parts):
                continue
            covered_s = min(rollup.covered_s for _, rollup in terms)
            mean_a = sum(sign * _mean_a(rollup) for sign, rollup in terms) - self._sources.steady_a
            yield Minute(place[1], mean_a * covered_s, covered_s, volts.get(place))

    def _volts(self, day: DayPlace, part: Span) -> Mapping[Place, float]:
        found: dict[Place, float] = {}
        for instrument in self._sources.volts:
            for _, rollup in self._rollups(day, part, instrument, "bank_v"):
                found.setdefault((rollup.boot, rollup.at_s), rollup.mean)
        return found

    def _off_air_s(self, day: DayPlace, part: Span) -> float | None:
        """How long all measured loads together drew less than a radio does; None where that can't be told."""
        limit_a = OFF_SHARE * self._sources.idle_a
        if limit_a <= 0.0 or not self._sources.loads:
            return None
        parts = [
            {(rollup.boot, rollup.at_s): rollup for _, rollup in self._rollups(day, part, name, "load_a")}
            for name in self._sources.loads
        ]
        if not any(parts):
            return None
        shared = (place for place in parts[0] if all(place in one for one in parts))
        off = (place for place in shared if sum(one[place].most for one in parts) < limit_a)
        return sum(min(one[place].covered_s for one in parts) for place in off)

    def _add_airtime(self, row: DayRow, day: DayPlace) -> None:
        rows = []
        for boot, hour in self._airtime:
            at = self._at(day, boot, hour.begin_s)
            if at is not None and day.span.begin_s - ENDS_MOST_S <= at < day.span.end_s - ENDS_MOST_S:
                rows.append(hour)
        seen_s = sum(hour.seen_s + hour.part_s for hour in rows)
        if seen_s > 0.0:
            row.airtime_seen_s = seen_s
            row.keyings, row.keyed_s = sum(hour.keyings for hour in rows), sum(hour.keyed_s for hour in rows)
            row.longest_s = max(hour.longest_s for hour in rows)

    def _gaps(self, boot: int | None) -> Sequence[Gap]:
        """The times between two runs: in the calendar, or within one boot on its own seconds."""
        found: list[Gap] = []
        since: tuple[float, str] | None = None
        for run in self._runs:
            if run.last is not None and since is None:
                begin = self._clock(boot, *run.last)
                since = None if begin is None else (begin, run.ended or UNTOLD)
            end = self._clock(boot, run.boot, run.at_s)
            if since is not None and end is not None:
                found.append((since[0], end, since[1]))
                since = None
        return found

    def _clock(self, boot: int | None, of_boot: int, at_s: float) -> float | None:
        if boot is None:
            return self._dating.utc_of(of_boot, at_s)
        return at_s if of_boot == boot else None

    # -- over many days ------------------------------------------------------------------------

    def profile(self, instrument: str, quantity: str, since: datetime, until: datetime) -> tuple[float | None, ...]:
        """Give the usual value of a quantity at each hour of the local day, over a range of dates; shape (24,).

        From hours, which are kept for ever; one that the clock's hour cuts counts to the hour it begins in.
        """
        means = []
        for rollup in self._reader.rollups(instrument, quantity, since, until, "hour"):
            utc_s = self._dating.utc_of(rollup.boot, rollup.at_s)
            if utc_s is not None:
                means.append((utc_s + 0.5 * rollup.span_s, rollup.mean, rollup.covered_s))
        return hours_profile(means, self._zone)


def _parts(span: Span) -> Iterator[Span]:
    begin_s = span.begin_s
    while begin_s < span.end_s:
        end_s = min(begin_s + PART_S, span.end_s)
        yield Span(span.name, begin_s, end_s)
        begin_s = end_s


def _mean_a(rollup: Rollup) -> float:
    if rollup.integral is None or rollup.covered_s <= 0.0:
        return rollup.mean
    return rollup.integral / rollup.covered_s


def _airtime_rows(reader: RecordReader) -> list[tuple[int, AirtimeHour]]:
    """The transmitter's hours out of the service's saved state, with the boot whose seconds they count."""
    saved = reader.saved("station")
    airtime = None if saved is None else saved.body.get("airtime")
    hours = airtime.get("hours") if isinstance(airtime, Mapping) else None
    rows = hours.get("rows") if isinstance(hours, Mapping) else None
    found: list[tuple[int, AirtimeHour]] = []
    for row in rows if isinstance(rows, list) else ():
        try:
            found.append((saved.boot if saved is not None else 0, AirtimeHour._make(map(float, row))))
        except (TypeError, ValueError):
            continue  # of a release that keeps it in another form
    return found
