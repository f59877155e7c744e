"""`halfmark daybook`: one row a day, from the record alone: what was stored at each day's end, the rest worked out."""

import csv
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from attrs import frozen

from daemon.damage_words import damage_told
from daemon.daybook import DaybookMaker, DayPlace
from daemon.progress import Progress
from daemon.record import RecordReader
from daemon.record.bounds import Bounds
from daemon.record.damage import COMMIT
from daemon.screens.lettering import span, wrap
from daemon.screens.terminal import Terminal
from daemon.timeline import Timeline, bounds_words, moment_of, zone_of
from shared.daybook import ENDINGS, HEAT, SILENT, UNTOLD, DayRow, total

BLIND_LEAST_S = 30.0  # less is not worth a word on the screen
CSV_HEAD = (
    "day", "hours", "whole", "seen_h", "ah_in", "ah_out", "wh_in", "wh_out", "least_soc", *HEAT, "keyings", "keyed_min",
    "longest_keying_s", "airtime_seen_h", "off_air_min", "blind_min", "blind_why", "after_utc", "before_utc",
)  # fmt: skip
WHY_WORDS = {**ENDINGS, SILENT: "instruments did not answer", UNTOLD: "between two runs, nobody told why"}


@frozen
class AskedDaybook:
    """What somebody wants to see; `anew` works days out again that are stored."""

    since: str | None = None
    until: str | None = None
    timezone: str | None = None
    form: str = "screen"
    plain: bool = False
    anew: bool = False
    width: int | None = None


@frozen
class Shown:
    """A row, and for a day without a date the times between which it lies."""

    row: DayRow
    bounds: Bounds | None = None


def run_daybook(store: Path, asked: AskedDaybook, *, out: TextIO | None = None, err: TextIO | None = None) -> int:
    """Show the days.

    Args:
        store: the record, a file or its folder.
        asked: which, and how.
        out, err: where the table and the progress go; None is standard output and error.
    Returns: 0 shown, 1 there is no day in that time.
    Raises: ConfigError: no such time; StoreError: the record can't be read.
    """
    out, err = out or sys.stdout, err or sys.stderr
    with RecordReader(store) as reader:
        shown = daybook_rows(reader, asked, err)
        zone = zone_of(reader, asked.timezone)
        since, until = (moment_of(text, reader, zone) for text in (asked.since, asked.until))
        for words in damage_told(reader, since, until, zone, kinds=("minutes", "hours", COMMIT)):
            err.write(f"{words}\n")
    if not shown:
        err.write("halfmark: no day of that time is in the record\n")
        return 1
    if asked.form == "csv":
        _write_csv(shown, out)
    else:
        terminal = Terminal.of(out, plain=asked.plain, width=asked.width)
        out.write("".join(f"{line}\n" for line in daybook_screen(shown, str(zone), terminal)))
    return 0


def daybook_rows(reader: RecordReader, asked: AskedDaybook, err: TextIO) -> list[Shown]:
    """Give the rows of the days that touch a time, in the record's own order."""
    zone = zone_of(reader, asked.timezone)
    timeline = Timeline(reader, zone)
    begin = timeline.boot_time(moment_of(asked.since, reader, zone))
    end = timeline.boot_time(moment_of(asked.until, reader, zone))
    maker = DaybookMaker(reader, zone)
    stored = {} if asked.anew or asked.timezone is not None else {day.name: day for day in reader.days()}
    days = maker.days()
    wanted = [day for day, later in zip(days, [*days[1:], None], strict=True) if _is_wanted(day, later, begin, end)]
    found = []
    with Progress("daybook", len(wanted), err) as progress:
        for count, day in enumerate(wanted):
            kept = stored.get(day.span.name)
            row = maker.row(day) if kept is None or not day.whole else DayRow.of(kept.name, kept.body)
            if day.boot is None:
                found.append(Shown(row))
            else:
                after, _ = reader.bounds_of(day.boot, day.seen.begin_s)
                _, before = reader.bounds_of(day.boot, day.seen.end_s)
                found.append(Shown(row, Bounds(after, before)))
            if kept is None:
                progress.at(count + 1)
    return found


def _is_wanted(
    day: DayPlace, later: DayPlace | None, begin: tuple[int, float] | None, end: tuple[int, float] | None
) -> bool:
    """Whether any of it lies in a range; it ends where the next one begins."""
    return (begin is None or later is None or later.begin > begin) and (end is None or day.begin < end)


# -- the table ---------------------------------------------------------------------------------


def daybook_screen(shown: Sequence[Shown], zone: str, terminal: Terminal) -> list[str]:
    """Set the table, and below it what its words mean."""
    cells = [_cells(one.row) for one in shown]
    whole = total([one.row for one in shown])
    assert whole is not None
    if len(shown) > 1:
        cells.append(_cells(whole))
    heads = ("day", "Ah in", "out", "Wh in", "out", "low", "on air", "hot", "off air", "blind")
    used = [i for i in range(len(heads)) if i < 6 or any(row[i] not in ("-", "") for row in cells)]
    widths = {i: max(len(heads[i]), *(len(row[i]) for row in cells)) for i in used}
    lines = [terminal.paint(terminal.fit(_line(heads, widths)), "dim")]
    lines += [terminal.fit(_line(row, widths)) for row in cells[: len(shown)]]
    lines += [terminal.paint(terminal.fit(_line(row, widths)), "strong") for row in cells[len(shown) :]]
    feet = [f"days of {zone}" if any(one.row.is_dated for one in shown) else "no day has a date"]
    feet += [
        f"blind {span(part_s)}: {WHY_WORDS.get(why, why)}" for why, part_s in whole.blind.items() if part_s >= 30.0
    ]
    feet += [f"{one.row.name}: {bounds_words(one.bounds)}" for one in shown if one.bounds is not None]
    return [*lines, *(terminal.fit(line) for foot in feet for line in wrap(foot, terminal.width))]


def _line(cells: Sequence[str], widths: dict[int, int]) -> str:
    first, *rest = widths
    return f"{cells[first]:<{widths[first]}}" + "".join(f"  {cells[i]:>{widths[i]}}" for i in rest)


def _cells(row: DayRow) -> tuple[str, ...]:
    length = row.length_words if not row.name.endswith(" days") else ""
    hot = max(row.heat.values(), default=None)
    return (
        f"{row.name} {length}".rstrip(),
        _number(row.ah_in, 1),
        _number(row.ah_out, 1),
        _number(row.wh_in, 0),
        _number(row.wh_out, 0),
        "-" if row.least_soc is None else f"{100.0 * row.least_soc:.0f} %",
        "-" if row.keyed_s is None else f"{span(row.keyed_s)} {row.keyings or 0.0:.0f}x",
        "-" if hot is None else f"{hot:.0f} C",
        "-" if row.off_air_s is None else _minutes(row.off_air_s),
        _minutes(row.blind_s),
    )


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _minutes(seconds: float) -> str:
    return "" if seconds < BLIND_LEAST_S else span(seconds)


# -- for programs ------------------------------------------------------------------------------


def _write_csv(shown: Sequence[Shown], out: TextIO) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CSV_HEAD)
    for one in shown:
        row = one.row
        after, before = one.bounds or Bounds(None, None)
        writer.writerow(
            [
                row.name,
                _csv(row.span_s / 3600.0),
                int(row.whole),
                _csv(row.seen_s / 3600.0),
                *map(_csv, (row.ah_in, row.ah_out, row.wh_in, row.wh_out, row.least_soc)),
                *(_csv(row.heat.get(quantity)) for quantity in HEAT),
                _csv(row.keyings),
                _csv(None if row.keyed_s is None else row.keyed_s / 60.0),
                _csv(row.longest_s),
                _csv(None if row.airtime_seen_s is None else row.airtime_seen_s / 3600.0),
                _csv(None if row.off_air_s is None else row.off_air_s / 60.0),
                _csv(row.blind_s / 60.0),
                "; ".join(f"{why} {part_s / 60.0:.1f}" for why, part_s in row.blind.items()),
                *("" if s is None else f"{datetime.fromtimestamp(s, UTC):%Y-%m-%dT%H:%M:%SZ}" for s in (after, before)),
            ]
        )


def _csv(value: float | None) -> str:
    return "" if value is None else f"{round(value, 4):g}"
