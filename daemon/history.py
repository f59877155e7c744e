"""`halfmark history`: one quantity or several over time, as curves and tables, from the record alone."""

import csv
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from datetime import tzinfo
from difflib import get_close_matches
from pathlib import Path
from typing import TextIO

from attrs import field, frozen

from daemon.damage_words import RAW, damage_told
from daemon.errors import ConfigError
from daemon.gathered import Bucket, Gathered
from daemon.progress import Progress
from daemon.record import Moment, Placed, RecordReader
from daemon.record.damage import COMMIT
from daemon.screens.history_screen import Look, history_screen
from daemon.screens.lettering import wrap
from daemon.screens.terminal import Terminal
from daemon.timeline import Timeline, moment_of, undated_words, zone_of
from shared.quantities import QUANTITIES

SINCE = "1d"
ROWS_MOST = 32  # of a table
TABLE_S = (60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10_800.0, 21_600.0, 43_200.0, 86_400.0, 604_800.0)
FORMS = ("screen", "csv", "json")
PROGRESS_READINGS = 5000
HEAD = ("begin_utc", "boot", "begin_s", "instrument", "quantity", "unit", "least", "mean", "most", "readings")


@frozen
class Asked:
    """What somebody wants to see; `quantities` may carry the instrument in front: shunt:bank_v."""

    quantities: tuple[str, ...]
    since: str | None = SINCE
    until: str | None = None
    timezone: str | None = None
    form: str = "screen"
    plain: bool = False
    width: int | None = None


@frozen
class Series:
    """One quantity of one instrument, gathered."""

    instrument: str
    quantity: str
    gathered: Gathered = field(factory=Gathered)


def run_history(store: Path, asked: Asked, *, out: TextIO | None = None, err: TextIO | None = None) -> int:
    """Show the past of some quantities.

    Args:
        store: the record, a file or its folder.
        asked: what to show, and how.
        out, err: where the screen and the progress go; None is standard output and error.
    Returns: 0 shown, 1 there is no such reading in that time.
    Raises: ConfigError: no such quantity, or no such time; StoreError: the record can't be read.
    """
    out, err = out or sys.stdout, err or sys.stderr
    with RecordReader(store) as reader:
        zone = zone_of(reader, asked.timezone)
        wanted = _wanted(reader, asked.quantities)
        timeline = Timeline(reader, zone)
        since, until = moment_of(asked.since, reader, zone), moment_of(asked.until, reader, zone)
        found = _gather(reader, timeline, wanted, since, until, err)
        undated = undated_words(reader, timeline.undated_boots)
        err.write("".join(f"{words}\n" for words in _damage(reader, since, until, zone, wanted)))
    if not found:
        err.write("halfmark: no reading of that in this time; the record has others: see --since\n")
        return 1
    if asked.form == "csv":
        _write_csv(found, timeline, out)
    elif asked.form == "json":
        out.write(json.dumps([dict(zip(HEAD, row, strict=True)) for row in _rows(found, timeline)], indent=1) + "\n")
    else:
        terminal = Terminal.of(out, plain=asked.plain, width=asked.width)
        looks = [Look(s.instrument, s.quantity, s.gathered, table_s(found)) for s in found]
        out.write("".join(f"{line}\n" for line in history_screen(looks, timeline, terminal)))
        out.write("".join(f"{terminal.fit(line)}\n" for words in undated for line in wrap(words, terminal.width)))
        return 0
    err.write("".join(f"{words}\n" for words in undated))
    return 0


def _damage(
    reader: RecordReader, since: Moment | None, until: Moment | None, zone: tzinfo, wanted: Sequence[tuple[str, str]]
) -> list[str]:
    """What is not shown because it is damaged; what is drawn from minutes lacks nothing when raw readings do."""
    step = reader.step_for(since, until)
    kinds = RAW if step == "raw" else (f"{step}s", COMMIT)
    return damage_told(reader, since, until, zone, kinds=kinds, channels=wanted)


# -- what is asked for -------------------------------------------------------------------------


def _wanted(reader: RecordReader, names: Sequence[str]) -> list[tuple[str, str]]:
    """Instrument and quantity of every channel that is meant, in the order asked for.

    Raises: ConfigError: a name the record does not have.
    """
    channels = sorted({(entry.instrument, entry.quantity) for entry in reader.channels()})
    wanted: list[tuple[str, str]] = []
    for name in names:
        instrument, _, quantity = name.rpartition(":")
        meant = [(i, q) for i, q in channels if q == quantity and instrument in ("", i)]
        if not meant:
            here = sorted({q for _, q in channels} | ({f"{i}:{q}" for i, q in channels} if instrument else set()))
            close = get_close_matches(name, here, 1)
            hint = f"did you mean {close[0]}? " if close else ""
            raise ConfigError.of("quantity", f"{hint}the record has: {', '.join(here) or 'nothing yet'}", value=name)
        wanted += [channel for channel in meant if channel not in wanted]
    return wanted


def _gather(
    reader: RecordReader,
    timeline: Timeline,
    wanted: Sequence[tuple[str, str]],
    since: Moment | None,
    until: Moment | None,
    err: TextIO,
) -> list[Series]:
    """Read once from beginning to end; only what has a value in this time is given."""
    series = {(instrument, quantity): Series(instrument, quantity) for instrument, quantity in wanted}
    step = reader.step_for(since, until)
    if step != "raw":
        _gather_rollups(reader, timeline, series, since, until, step)
        return [one for one in series.values() if one.gathered.buckets]
    by_instrument: dict[str, list[tuple[str, Gathered]]] = {}
    for (instrument, quantity), one in series.items():
        by_instrument.setdefault(instrument, []).append((quantity, one.gathered))
    one_instrument = wanted[0][0] if len(by_instrument) == 1 else None
    one_quantity = wanted[0][1] if len({quantity for _, quantity in wanted}) == 1 else None
    placed = reader.readings(one_instrument, one_quantity, since, until)
    for boot, reading in _told(placed, reader, err):
        targets = by_instrument.get(reading.instrument)
        if targets is None:
            continue
        x = timeline.place(boot, reading.at_s)
        for quantity, gathered in targets:
            value = reading.values.get(quantity)
            if value is not None:
                gathered.add(x, value)
    return [one for one in series.values() if one.gathered.buckets]


def _gather_rollups(
    reader: RecordReader,
    timeline: Timeline,
    series: Mapping[tuple[str, str], Series],
    since: Moment | None,
    until: Moment | None,
    step: str,
) -> None:
    """Take minutes or hours, which are there for a long time ready made; in the record's order, for the timeline."""
    found = [(row, name) for name in series for row in reader.rollups(*name, since, until, step)]
    found.sort(key=lambda pair: pair[0][:2])
    for row, name in found:
        x = timeline.place(row.boot, row.at_s)
        bucket = Bucket(row.least, row.most, row.mean * row.good, row.good, x, x + row.span_s * (1.0 - 1.0 / row.good))
        series[name].gathered.add_rollup(x, row.span_s, bucket)


def _told(readings: Iterator[Placed], reader: RecordReader, err: TextIO) -> Iterator[Placed]:
    """The same readings, with a progress line where somebody waits at a terminal."""
    newest = reader.newest_s()
    if not err.isatty() or newest is None:
        yield from readings
        return
    first: float | None = None
    with Progress("reading", 1000, err) as progress:
        for count, placed in enumerate(readings):
            if placed.boot == newest[0] and not count % PROGRESS_READINGS:
                first = placed.reading.at_s if first is None else first
                progress.at(round(1000 * (placed.reading.at_s - first) / max(1.0, newest[1] - first)))
            yield placed
        progress.at(1000)


def table_s(found: Sequence[Series]) -> float:
    """How long a row of a table is: as short as leaves ROWS_MOST rows, and no bucket is cut."""
    spans = [span for one in found if (span := one.gathered.span()) is not None]
    length_s = max(last for _, last in spans) - min(first for first, _ in spans)
    size_s = max(one.gathered.size_s for one in found)
    fits = (step for step in TABLE_S if step * (ROWS_MOST - 1) >= length_s and step % size_s == 0)
    return next(fits, max(TABLE_S[-1], size_s))


# -- for programs ------------------------------------------------------------------------------


def _rows(found: Sequence[Series], timeline: Timeline) -> Iterator[tuple[object, ...]]:
    size_s = table_s(found)
    for one in found:
        known = QUANTITIES.get(one.quantity)
        for _, bucket in sorted(one.gathered.by(size_s).items()):
            yield (
                *_when(bucket, timeline),
                one.instrument,
                one.quantity,
                known.unit if known else "",
                *_figures(bucket),
            )


def _when(bucket: Bucket, timeline: Timeline) -> tuple[str | None, int | None, float | None]:
    """The first reading's time: a date, or boot and seconds."""
    utc = timeline.utc_at(bucket.first_x)
    if utc is not None:
        return utc.isoformat(timespec="seconds"), None, None
    section = timeline.section_at(bucket.first_x)
    assert section is not None
    return None, section.boot, round(bucket.first_x - section.begin_x + section.begin_s, 3)


def _figures(bucket: Bucket) -> tuple[float, float, float, int]:
    return bucket.least, round(bucket.mean, 6), bucket.most, bucket.count


def _write_csv(found: Sequence[Series], timeline: Timeline, out: TextIO) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEAD)
    writer.writerows(["" if cell is None else cell for cell in row] for row in _rows(found, timeline))
