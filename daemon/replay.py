"""`halfmark replay`: readings of a file through the same station and rules as live ones, with no clock.

The file stands for one instrument, "file", that gives every quantity it has a column for. Seconds
count from its first line; rules are stepped each minute of the file's time.
"""

import sys
from collections.abc import Iterator
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
from shared.readings import Reading
from shared.site import Instrument, Site
from shared.station import Station
from shared.wiring import ENDS, OWN_LEAD, ends_of, mistakes

FILE = "file"  # the instrument the file stands for
RULES_EVERY_S = 60.0
# What a reader of the events is told: an alert begins when people first hear of it.
TOLD_STATES = {"raised": "raised", "uncovered": "raised", "cleared": "cleared"}
PERIOD_ROWS = 100  # lines from which the file's period is taken
PERIOD_S = (1.0, 3600.0)
PROGRESS_ROWS = 2000
ESTIMATES_HEAD = "time_s,est_soc,est_sigma,est_capacity_ah,est_capacity_sigma_ah,est_shunt_offset_a\n"


@frozen
class ReplayFiles:
    """What a replay reads and writes."""

    site: Path
    readings: Path
    estimates: Path
    events: Path
    ahead: Path | None = None


def run_replay(files: ReplayFiles, *, start_soc: float | None = None, err: TextIO | None = None) -> int:
    """Run a file of readings through the station and write what comes out.

    Args:
        files: what to read and write.
        start_soc: state of charge at the first line, 0 to 1; None leaves it to be found.
        err: where progress and what was odd about the file go; None is the standard error.
    Returns: 0.
    Raises: ConfigError: a file is not there or wrong, or can't be written; then none is left behind.
    """
    err = err or sys.stderr
    _check(files, start_soc)
    site = load_replay_site(files.site)
    with ReadingsFile(files.readings, site.replay_columns) as source:
        try:
            _replay(site, source, files, start_soc, err)
        except OSError as why:  # reading has no such error: a file that ends badly is told, and used up to there
            raise ConfigError.of(
                f"{files.estimates}, {files.events}", f"can't be written: {why.strerror}; name other files"
            ) from why
    err.write("".join(f"{files.readings}: {line}\n" for line in source.oddities.words()))
    return 0


def _replay(site: Site, source: ReadingsFile, files: ReplayFiles, start_soc: float | None, err: TextIO) -> None:
    first, rows = _peek(source)
    if not first:
        raise ConfigError.of(str(files.readings), f"has no line with a usable time; {_joined(source)}")
    station = Station(file_site(site, source, _period_s(first)), start_soc=start_soc)
    with PartFile(files.estimates) as estimates, PartFile(files.events) as events:
        estimates.write(ESTIMATES_HEAD)
        with Progress("replay", source.size, err) as progress:
            _run(station, _told(rows, source, progress), estimates, events)


def _check(files: ReplayFiles, start_soc: float | None) -> None:
    if files.ahead is not None:
        raise ConfigError.of("--ahead", "this version has no lookahead yet: leave the option out", value=files.ahead)
    if start_soc is not None and not 0.0 <= start_soc <= 1.0:
        raise ConfigError.of("--start-soc", "a share from 0 to 1", value=start_soc)
    places = [path.absolute() for path in (files.site, files.readings, files.estimates, files.events)]
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


def _run(station: Station, rows: Iterator[FileRow], estimates: IO[str], events: IO[str]) -> None:
    """The path of every line: into the station, an estimate out, the rules stepped when they are due."""
    first = next(rows, None)
    if first is None:
        return
    begin_s = first.time_s
    rounds = Rounds([(RULES_EVERY_S, partial(_step_rules, station, begin_s, events))])
    take, charge, write = station.take, station.charge, estimates.write
    for time_text, time_s, values, suspect, missing in chain((first,), rows):
        at_s = time_s - begin_s
        if at_s > rounds.due_s:
            rounds.run_before(at_s)
        take(Reading(FILE, at_s, values, suspect, missing))
        if at_s >= rounds.due_s:
            rounds.run_at(at_s)
        write(
            f"{time_text.decode()},{charge.soc_frac:.5f},{charge.soc_sigma:.5f},{charge.capacity_ah:.4f},"
            f"{charge.capacity_sigma_ah:.4f},{charge.shunt_offset_a:.5f}\n"
        )


def _step_rules(station: Station, begin_s: float, events: IO[str], now_s: float) -> None:
    for event in station.step_rules(now_s):
        if event.told and event.state in TOLD_STATES:
            state = TOLD_STATES[event.state]
            events.write(dumps({"time_s": _plain(begin_s + now_s), "alert": event.alert, "state": state}) + "\n")


def _plain(time_s: float) -> int | float:
    return int(time_s) if time_s.is_integer() else round(time_s, 3)


def _told(rows: Iterator[FileRow], source: ReadingsFile, progress: Progress) -> Iterator[FileRow]:
    """The same lines, with the progress told now and then."""
    for count, row in enumerate(rows):
        if not count % PROGRESS_ROWS:
            progress.at(source.position)
        yield row
    progress.at(source.size)


def _joined(source: ReadingsFile) -> str:
    return "; ".join(source.oddities.words()) or "only its header is there"
