"""What is damaged in a record, and what was set aside, in sentences: how many readings, of what, between when.

Every command that reads the record says it the same way, beside what it shows, and says what can be done.
"""

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from attrs import evolve, frozen

from daemon.record import Damage, Moment, RecordReader
from daemon.record.damage import COMMIT, PAGES
from daemon.screens.lettering import clean

SHOWN_MOST = 5
RAW = ("values", "polls", COMMIT)
WAY_OUT = "take a backup, then set it aside with: halfmark verify --set-aside"
FILE_WAY_OUT = "the file itself is damaged: a backup has more of it; put it back with: halfmark restore --replace"
_JOINED_S = 1800.0  # rows nearer to each other than this are told as one


@frozen
class Stretch:
    """Damage of the same kind and the same channel, in one sentence; `readings` None where nothing tells."""

    what: str
    instrument: str
    quantity: str
    boot: int
    begin_s: float
    end_s: float
    readings: int | None
    rows: tuple[str, ...]

    @property
    def is_of_all(self) -> bool:
        """Whether it is of all quantities of the instrument."""
        return self.what == "polls"


def stretches(damage: Iterable[Damage]) -> list[Stretch]:
    """Put rows together that follow each other; values that went along with their polls are told with those."""
    found: list[Stretch] = []
    for row in sorted(damage, key=lambda one: (one.what, one.instrument, one.quantity, one.boot, one.begin_s)):
        one = Stretch(*row[2:], rows=(f"row {row.key} of {row.table}",))
        last = found[-1] if found else None
        if last is not None and _same(last) == _same(one) and one.begin_s - last.end_s <= _JOINED_S:
            known = None not in (last.readings, one.readings)
            both = (last.readings or 0) + (one.readings or 0) if known else None
            end_s = max(last.end_s, one.end_s)
            found[-1] = evolve(last, end_s=end_s, readings=both, rows=(*last.rows, *one.rows))
        else:
            found.append(one)
    polls = [one for one in found if one.is_of_all]
    found = [one for one in found if one.what != "values" or not any(_is_within(one, whole) for whole in polls)]
    return sorted(found, key=lambda one: (one.boot, one.begin_s, one.instrument, one.quantity))


def _same(one: Stretch) -> tuple[object, ...]:
    return one.what, one.instrument, one.quantity, one.boot


def _is_within(one: Stretch, whole: Stretch) -> bool:
    same = (one.boot, one.instrument) == (whole.boot, whole.instrument)
    return same and whole.begin_s <= one.begin_s and one.end_s <= whole.end_s


def stretch_words(one: Stretch, reader: RecordReader, zone: tzinfo) -> str:
    """Say how many readings, of what, between which times."""
    begin, end = (_when(reader, one.boot, at_s, zone) for at_s in (one.begin_s, one.end_s))
    name = clean(f"{one.instrument} {one.quantity}".strip())
    count = "an unknown number of" if one.readings is None else f"{one.readings:,}"
    if one.what == COMMIT:
        commits = "one commit" if len(one.rows) == 1 else f"{len(one.rows)} commits"
        return f"the readings of {commits} between {begin} and {end}"
    if one.what == PAGES:
        return f"everything between {begin} and {end}, because the file can't be read there"
    if one.what in ("minutes", "hours"):
        return f"{one.what} of {name} between {begin} and {end}"
    if one.is_of_all:
        count = "all" if one.readings is None else f"all, at least {one.readings:,},"
    return f"{count} readings of {name} between {begin} and {end}"


def _when(reader: RecordReader, boot: int, at_s: float, zone: tzinfo) -> str:
    utc_s = reader.utc_of(boot, at_s)
    if utc_s is None:
        return f"boot {boot} +{timedelta(seconds=round(at_s))}"
    return datetime.fromtimestamp(utc_s, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")


def damage_told(
    reader: RecordReader,
    since: Moment | None,
    until: Moment | None,
    zone: tzinfo,
    *,
    kinds: Sequence[str] = RAW,
    channels: Collection[tuple[str, str]] = (),
) -> list[str]:
    """Say what of a range is not shown because it is damaged: set aside earlier, or met while reading.

    Args:
        reader: with everything that is shown read already.
        since, until: the range that was read.
        zone: for dates.
        kinds: of rows that were read, see `daemon.record.Damage`.
        channels: instrument and quantity of what is shown; everything when empty.
    """
    wanted = [one for one in reader.set_aside(since, until) if one.what in kinds and _is_shown(one, channels)]
    aside = [f"set aside, damaged: {stretch_words(one, reader, zone)}" for one in stretches(wanted)]
    met = [
        f"damaged, left out: {stretch_words(one, reader, zone)} ({_rows(one.rows)})"
        for one in stretches(reader.damage_met())
    ]
    lines = [*_at_most(aside), *_at_most(met)]
    if any(row.what == PAGES for row in reader.damage_met()):
        lines.append(FILE_WAY_OUT)
    return [*lines, WAY_OUT] if any(row.what != PAGES for row in reader.damage_met()) else lines


def _is_shown(one: Damage, channels: Collection[tuple[str, str]]) -> bool:
    if not channels or one.what == COMMIT:
        return True
    if one.what == "polls":
        return any(instrument == one.instrument for instrument, _ in channels)
    return (one.instrument, one.quantity) in channels


def _rows(rows: Sequence[str]) -> str:
    return rows[0] if len(rows) == 1 else f"{rows[0]} and {len(rows) - 1} more"


def _at_most(lines: list[str]) -> list[str]:
    left = len(lines) - SHOWN_MOST
    return lines if left <= 0 else [*lines[:SHOWN_MOST], f"and {left} more like this: halfmark verify lists them"]
