"""`halfmark replay`: readings of a file through the same station and rules as live ones, with no clock.

The file stands for one instrument, "file", that gives every quantity it has a column for. Seconds
count from its first line; rules are stepped each minute of the file's time.
"""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from functools import partial
from itertools import chain, islice
from json import dumps
from pathlib import Path
from statistics import median
from typing import IO, TextIO

from attrs import evolve, frozen

from daemon.configuration import load_replay_site
from daemon.errors import ConfigError
from daemon.part_file import PartFile
from daemon.progress import Progress
from daemon.readings_file import FileRow, ReadingsFile
from daemon.rounds import Rounds
from daemon.rules_compare import TOLD_STATES, AlertCounts, compared
from daemon.rules_file import with_rules
from shared.alerts import AlertBook
from shared.charge import ChargeFilter
from shared.rule import Watch
from shared.rules import rules_for
from shared.site import Instrument, Site
from shared.station import Station
from shared.wiring import ENDS, OWN_LEAD, ends_of, mistakes

FILE = "file"  # the instrument the file stands for
RULES_EVERY_S = 60.0
AHEAD_EVERY_S = 3600.0
EPOCH_LEAST_S = 1e9  # times from here on (2001) are seconds since 1970 UTC; smaller ones have no date
PERIOD_ROWS = 100  # lines from which the file's period is taken
PERIOD_S = (1.0, 3600.0)
PROGRESS_ROWS = 2000
AHEAD_HEAD = "time_s,ahead_h,low,likely,high\n"
ESTIMATES_HEAD = "time_s,est_soc,est_sigma,est_capacity_ah,est_capacity_sigma_ah,est_shunt_offset_a\n"


@frozen
class ReplayFiles:
    """What a replay reads and writes."""

    site: Path
    readings: Path
    estimates: Path
    events: Path
    ahead: Path | None = None
    rules: Path | None = None


def run_replay(
    files: ReplayFiles,
    *,
    start_soc: float | None = None,
    compare: bool = False,
    out: TextIO | None = None,
    err: TextIO | None = None,
) -> int:
    """Run a file of readings through the station and write what comes out.

    Args:
        files: what to read and write.
        start_soc: state of charge at the first line, 0 to 1; None leaves it to be found.
        compare: print what the site's own rules and those of `files.rules` would have told, side by side.
        out: where that goes; None is the standard output.
        err: where progress and what was odd about the file go; None is the standard error.
    Returns: 0.
    Raises: ConfigError: a file is not there or wrong, or can't be written; then none is left behind.
    """
    err = err or sys.stderr
    _check(files, start_soc, compare)
    own = load_replay_site(files.site)
    site = own if files.rules is None else with_rules(own, files.rules)
    counts = AlertCounts(), AlertCounts()
    with ReadingsFile(files.readings, site.replay_columns) as source:
        try:
            _replay(site, source, files, start_soc, err, (own, *counts) if compare else None)
        except OSError as why:  # reading has no such error: a file that ends badly is told, and used up to there
            raise ConfigError.of(
                f"{files.estimates}, {files.events}", f"can't be written: {why.strerror}; name other files"
            ) from why
    err.write("".join(f"{files.readings}: {line}\n" for line in source.oddities.words()))
    if compare:
        (out or sys.stdout).write(compared(*counts))
    return 0


def _replay(
    site: Site,
    source: ReadingsFile,
    files: ReplayFiles,
    start_soc: float | None,
    err: TextIO,
    compare: tuple[Site, AlertCounts, AlertCounts] | None,
) -> None:
    first, rows = _peek(source)
    if not first:
        raise ConfigError.of(str(files.readings), f"has no line with a usable time; {_joined(source)}")
    every_s = _period_s(first)
    station = Station(file_site(site, source, every_s), start_soc=start_soc)
    with ExitStack() as stack:
        estimates, events = (stack.enter_context(PartFile(path)) for path in (files.estimates, files.events))
        ahead = None if files.ahead is None else stack.enter_context(PartFile(files.ahead))
        rules = _Rules(station, events, first[0].time_s)
        if compare is not None:
            rules.compare(rules_for(file_site(compare[0], source, every_s)), *compare[1:])
        estimates.write(ESTIMATES_HEAD)
        with Progress("replay", source.size, err) as progress:
            _run(station, _told(rows, source, progress), estimates, rules, ahead)


def _check(files: ReplayFiles, start_soc: float | None, compare: bool) -> None:
    if compare and files.rules is None:
        raise ConfigError.of("--compare", "needs --rules FILE: the rules to compare the site's own with")
    if start_soc is not None and not 0.0 <= start_soc <= 1.0:
        raise ConfigError.of("--start-soc", "a share from 0 to 1", value=start_soc)
    named = (files.site, files.readings, files.estimates, files.events, files.ahead, files.rules)
    places = [path.absolute() for path in named if path is not None]
    if len(set(places)) < len(places):
        raise ConfigError.of(str(files.estimates), "every file of a replay must be another one")


# -- the site as the file shows it -------------------------------------------------------------


def file_site(site: Site, source: ReadingsFile, every_s: float) -> Site:
    """Give the site with the file as its one instrument.

    Raises: ConfigError: the file's columns do not tell the bank current.
    """
    gives = source.quantities
    measures = {quantity: ends for quantity in ENDS if quantity in gives and (ends := _ends(site, quantity))}
    instrument = Instrument(FILE, line="", driver="csv", every_s=every_s, measures=measures, gives=gives)
    seen = evolve(site, lines={}, instruments={FILE: instrument}, prefer={})
    why = mistakes(seen)
    if why:
        here = f"has columns {', '.join(gives)}, which do not tell the bank current: give it a column bank_a"
        raise ConfigError.of(str(source.path), f"{here}, or name yours in [replay.columns]; {'; '.join(why)}")
    return seen


def _ends(site: Site, quantity: str) -> tuple[str, str] | None:
    """Where a current of the file flows: as the site's own instruments have it, if they agree; else as usual."""
    told = {ends_of(row, quantity) for row in site.instruments.values() if quantity in row.gives}
    if len(told) == 1:
        return told.pop()
    return OWN_LEAD if quantity == "bank_a" else None


def _peek(source: ReadingsFile) -> tuple[list[FileRow], Iterator[FileRow]]:
    rows = source.rows()
    first = list(islice(rows, PERIOD_ROWS))
    return first, chain(first, rows)


def _period_s(rows: list[FileRow]) -> float:
    """The usual time between two lines: how long one may be taken for the present."""
    steps = [later.time_s - earlier.time_s for earlier, later in zip(rows, rows[1:], strict=False)]
    least, most = PERIOD_S
    return min(most, max(least, median(steps))) if steps else least


# -- line by line ------------------------------------------------------------------------------


class _Rules:
    """The rules of a replay: stepped each minute, what they tell written, and perhaps held against the site's own."""

    def __init__(self, station: Station, events: IO[str], begin_s: float) -> None:
        self.station = station
        self.begin_s = begin_s
        self._events = events
        self._own: AlertBook | None = None
        self._counts = AlertCounts(), AlertCounts()

    def compare(self, watches: Sequence[Watch], own: AlertCounts, changed: AlertCounts) -> None:
        """Let the site's own rules look on, and count what both tell."""
        self._own = AlertBook(watches)
        self._counts = own, changed

    def utc_s(self, now_s: float) -> float | None:
        """The file's time as UTC, where it can be that."""
        utc_s = self.begin_s + now_s
        return utc_s if utc_s >= EPOCH_LEAST_S else None

    def step(self, now_s: float) -> None:
        """Step the rules at `now_s`, s since the file's first line."""
        events = self.station.step_rules(now_s, utc_s=self.utc_s(now_s))
        for event in events:
            if event.told and event.state in TOLD_STATES:
                state = TOLD_STATES[event.state]
                row = {"time_s": _plain(self.begin_s + now_s), "alert": event.alert, "state": state}
                self._events.write(dumps(row) + "\n")
        if self._own is not None:
            own, changed = self._counts
            own.add(self._own.step(now_s, self.station.facts(now_s)))
            changed.add(events)

    def end(self, now_s: float) -> None:
        """The file is over."""
        for counts in self._counts:
            counts.end(now_s)


def _run(station: Station, rows: Iterator[FileRow], estimates: IO[str], rules: _Rules, ahead: IO[str] | None) -> None:
    """The path of every line: into the station, an estimate out, the rules stepped when they are due."""
    first = next(rows, None)
    if first is None:
        return
    begin_s = first.time_s
    works: list[tuple[float, Callable[[float], None]]] = [(RULES_EVERY_S, rules.step)]
    if ahead is not None:
        ahead.write(AHEAD_HEAD)
        works.append((AHEAD_EVERY_S, partial(_write_ahead, station, begin_s, ahead)))
    rounds = Rounds(works)
    fold, charge, write = station.fold, station.charge, estimates.write
    at_s, revision, rest = 0.0, -1, ""
    for time_text, time_s, values, suspect, missing in chain((first,), rows):
        at_s = time_s - begin_s
        if at_s > rounds.due_s:
            rounds.run_before(at_s)
        fold(FILE, at_s, values, suspect, missing)
        if at_s >= rounds.due_s:
            rounds.run_at(at_s)
        if charge.revision != revision:
            revision, rest = charge.revision, _rest_of_line(charge)
        write(f"{time_text.decode()},{charge.soc_frac:.5f},{rest}\n")
    rules.end(at_s)


def _rest_of_line(charge: ChargeFilter) -> str:
    """What of an estimate stays the same for some minutes."""
    return f"{charge.soc_sigma:.5f},{charge.capacity_ah:.4f},{charge.capacity_sigma_ah:.4f},{charge.shunt_offset_a:.5f}"


def _write_ahead(station: Station, begin_s: float, ahead: IO[str], now_s: float) -> None:
    """Write the forecast made last, each only once."""
    forecast = station.ahead.forecast(now_s)
    if forecast is None or now_s - forecast.made_s >= AHEAD_EVERY_S:
        return
    made = _plain(begin_s + forecast.made_s)
    for hour, (low, likely, high) in enumerate(zip(forecast.low, forecast.likely, forecast.high, strict=True), start=1):
        ahead.write(f"{made},{hour},{low:.4f},{likely:.4f},{high:.4f}\n")


def _plain(time_s: float) -> int | float:
    return int(time_s) if time_s.is_integer() else round(time_s, 3)


def _told(rows: Iterator[FileRow], source: ReadingsFile, progress: Progress) -> Iterator[FileRow]:
    """The same lines, with the progress told now and then."""
    for row in rows:
        progress.at(source.position)
        yield row
        yield from islice(rows, PROGRESS_ROWS - 1)
    progress.at(source.size)


def _joined(source: ReadingsFile) -> str:
    return "; ".join(source.oddities.words()) or "only its header is there"
