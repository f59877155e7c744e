"""The reading side of the record: read-only, in short transactions, with the service up or down."""

import json
import os
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType

from daemon.clock import Anchor
from daemon.errors import StoreDamaged
from daemon.record import files, layout
from daemon.record.bounds import Bounds, bounds_of
from daemon.record.catalogue import Catalogue, ChannelEntry, UnknownNumber
from daemon.record.chunks import BLOCK_H, HOUR_MS, ChunkKey, DamagedChunk, first_key
from daemon.record.contents import (
    BootEntry,
    Damage,
    Day,
    Moment,
    Placed,
    RecordSize,
    Rollup,
    Saved,
    Series,
    StoredEntry,
    StoredEvent,
    StoredNotice,
    StoredRun,
)
from daemon.record.curves import (
    SPANS_MS,
    Curve,
    Place,
    as_rollup,
    chunks,
    hours_in,
    rolled_readings,
    rollups,
    step_for,
)
from daemon.record.damage import PAGES, SWEPT_TABLES, asides, damage_of
from daemon.record.dating import Dating
from daemon.record.days import days_of, runs_of
from daemon.record.layout import ANCHORS_QUESTION, CATALOGUE_QUESTIONS, anchor_of
from daemon.record.opening import OpenedRecord
from daemon.record.packing import (
    MS_MOST,
    DamagedRow,
    at_ms,
    check_row,
    row_key,
    split_key,
    unpack_row,
)
from daemon.record.stretches import Commits, Stretches
from daemon.record.sweep import Swept, newest_ms, newest_sealed_ms, sweep
from shared.readings import Reading

CHUNK_ROWS = 64  # taken in one transaction; an hour a row at most, so well under a second
LATEST_ROWS = 400  # how far `latest` looks back for an instrument that is silent
NEWEST_OF = ("tail", "piece", "block")


class RecordReader:
    """Reads a record; a context manager. Not for use by several threads at once.

    Attributes:
        file: the record's file.
        damaged: keys of rows that did not fit their checksum; they are left out.
    """

    def __init__(self, folder_or_file: Path) -> None:
        """Open a record.

        Raises: StoreError: there is none, it may not be read, it is damaged or not a record.
        """
        path = Path(folder_or_file)
        self.file = path / files.RECORD_NAME if path.is_dir() else path
        self.damaged: set[int] = set()
        self._opened = OpenedRecord(self.file)
        self._catalogue: Catalogue | None = None
        self._catalogue_of = 0
        self._dating: Dating | None = None
        self._dating_of = (0, 0)
        self._stretches = Stretches(self._opened.ask, self._names, self._unpack)

    def __enter__(self) -> "RecordReader":
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._opened.close()

    @property
    def damaged_chunks(self) -> set[tuple[str, int]]:
        """Table and key of sealed chunks that did not fit their checksum; they are left out."""
        return self._stretches.damaged_chunks

    @property
    def live(self) -> bool:
        """Whether it is read through the log, so that what a running service commits is seen.

        False after a clean stop and for a copy; then the file is read as one that nobody changes.
        """
        return self._opened.live

    @property
    def log_left_out(self) -> bool:
        """Whether there is a log that could not be read, so that the newest readings may be missing."""
        return self._opened.log_left_out

    # -- readings ------------------------------------------------------------------------------

    def readings(
        self,
        instrument: str | None = None,
        quantity: str | None = None,
        since: Moment | None = None,
        until: Moment | None = None,
    ) -> Iterator[Placed]:
        """Give readings, oldest first, from `since` up to but without `until`.

        Args:
            instrument: of this one only.
            quantity: this one only; readings that do not tell of it are left out.
            since, until: (boot's number, seconds since boot), or a date and time; a boot that
                nobody has placed in the calendar lies between its neighbours.
        """
        first = (min((boot.number for boot in self.boots()), default=0), 0) if since is None else self._place_ms(since)
        end = None if until is None else self._place_ms(until)
        for boot, reading in self._stretches.readings(instrument, quantity, first, end):
            yield Placed(boot, reading)

    def rollups(
        self,
        instrument: str,
        quantity: str,
        since: Moment | None = None,
        until: Moment | None = None,
        step: str = "hour",
    ) -> Iterator[Rollup]:
        """Give minutes or hours of one quantity of one instrument, oldest first, from `since` up to `until`.

        They count from the start of each boot. What is not sealed yet is worked out from the readings.

        Args:
            step: "minute" or "hour".
        """
        first, end = self._range_ms(since, until)
        span_ms = SPANS_MS[step]
        for entry in self._entries(instrument, quantity):
            found = rollups(self._opened.ask, entry, step, first, end, self.damaged_chunks)
            newest = first if not found else max(first, (found[-1][0], (found[-1][1].number + 1) * span_ms))
            found += rolled_readings(self._values(entry, newest, end), entry, span_ms)
            for boot, bucket in found:
                yield as_rollup(boot, bucket, span_ms, entry)

    def series(
        self,
        quantity: str,
        instrument: str | None = None,
        since: Moment | None = None,
        until: Moment | None = None,
        points: int = 200,
        step: str | None = None,
    ) -> list[Series]:
        """Give a curve of some hundred points for each instrument that gives a quantity.

        Each point holds least, most and mean of what lies in it. Up to six hours the readings themselves are
        taken, up to ten days minutes, beyond that hours; a curve of hours ends with the last sealed one.

        Args:
            points: how many at the most, about.
            step: "raw", "minute" or "hour" whatever the span.
        """
        first, end = self._range_ms(since, until)
        span_s = self._span_s(first, end)
        step = step or step_for(span_s)
        point_s = span_s / max(1, points)
        dated = self._dates().utc_of
        start_utc_s = dated(first[0], first[1] / 1000.0)
        curves: dict[str, Curve] = {}
        for entry in self._entries(instrument, quantity):
            curve = curves.setdefault(entry.instrument, Curve(point_s, start_utc_s, dated))
            self._draw(curve, entry, step, first, end)
        found = {name: curve.points() for name, curve in curves.items()}
        return [Series(name, quantity, step, point_s, drawn) for name, drawn in found.items() if drawn]

    def step_for(self, since: Moment | None = None, until: Moment | None = None) -> str:
        """Say what a curve over a range is best drawn from: "raw", "minute" or "hour"."""
        return step_for(self._span_s(*self._range_ms(since, until)))

    def _span_s(self, first: Place, end: Place) -> float:
        """How long a range is: in the calendar, or what its boots recorded."""
        dates = [self.utc_of(boot, ms / 1000.0) for boot, ms in (first, end)]
        if first[0] != end[0] and dates[0] is not None and dates[1] is not None:
            return max(1.0, dates[1] - dates[0])
        numbers = (boot.number for boot in self.boots())
        return max(1.0, sum(self._length_s(number, first, end) for number in numbers if first[0] <= number <= end[0]))

    def _draw(self, curve: Curve, entry: ChannelEntry, step: str, first: Place, end: Place) -> None:
        newest = first
        if step != "raw":
            span_ms = SPANS_MS[step]
            for chunk in chunks(self._opened.ask, entry.number, step, first, end):
                try:
                    curve.add_chunk(chunk, span_ms, entry.per_unit, first, end)
                except DamagedChunk:
                    self.damaged_chunks.add((chunk.table, chunk.key.packed()))
                newest = max(newest, (chunk.key.boot, (chunk.key.start_h + hours_in(chunk)) * HOUR_MS))
            if step == "hour":
                return
        times: dict[int, list[int]] = {}
        values: dict[int, list[float]] = {}
        for boot, at_s, value in self._values(entry, newest, end):
            times.setdefault(boot, []).append(at_ms(at_s))
            values.setdefault(boot, []).append(value)
        for boot, of_boot in times.items():
            curve.add_values(boot, of_boot, values[boot])

    def _values(self, entry: ChannelEntry, first: Place, end: Place) -> Iterator[tuple[int, float, float]]:
        if self._newest_entry(entry) is not entry:
            return  # kept in another step since: the newest channel of the quantity speaks for all that is not sealed
        for boot, reading in self._stretches.readings(entry.instrument, entry.quantity, first, end):
            value = reading.values.get(entry.quantity)
            if value is not None:
                yield boot, reading.at_s, value

    def _newest_entry(self, entry: ChannelEntry) -> ChannelEntry:
        return [
            one
            for one in self._names().channels
            if (one.instrument, one.quantity) == (entry.instrument, entry.quantity)
        ][-1]

    def _entries(self, instrument: str | None, quantity: str) -> list[ChannelEntry]:
        return [
            entry
            for entry in self._names(True).channels
            if entry.quantity == quantity and instrument in (None, entry.instrument)
        ]

    def _range_ms(self, since: Moment | None, until: Moment | None) -> tuple[Place, Place]:
        """A range as places; without an end up to everything that is there."""
        first = (0, 0) if since is None else self._place_ms(since)
        if since is None:
            boots = self.boots()
            first = (boots[0].number, at_ms(boots[0].first_s)) if boots else first
        if until is not None:
            return first, min(self._place_ms(until), self._end_of_all())
        newest = self.newest_s()
        return first, (0, 0) if newest is None else (newest[0], at_ms(newest[1]) + 1)

    def _end_of_all(self) -> Place:
        """A place that nothing is after, soon told: the newest commit, or the end of the newest block."""
        tail, piece, block = (self._opened.ask(f"SELECT max(k) FROM {table}")[0][0] for table in NEWEST_OF)
        ends: list[Place] = [(0, 0)]
        if tail is not None:
            boot, ms = split_key(tail)
            ends.append((boot, ms + 1))
        for key, hours in ((piece, 1), (block, BLOCK_H)):
            if key is not None:
                chunk = ChunkKey.of(key)
                ends.append((chunk.boot, chunk.start_ms + hours * HOUR_MS))
        return max(ends)

    def _length_s(self, boot: int, first: Place, end: Place) -> float:
        """How much of a range lies in one boot."""
        begin_ms = first[1] if boot == first[0] else 0
        end_ms = end[1] if boot == end[0] else newest_ms(self._opened.ask, boot)
        return max(0, end_ms - begin_ms) / 1000.0

    def commits(self, boot: int, after_ms: int = -1) -> Iterator[tuple[int, list[Reading]]]:
        """Give what one boot recorded, commit by commit in the order they were made.

        Nothing that is committed later comes before a commit already given, however old its readings
        are: so this is what a copy elsewhere follows. What has been sealed comes by the minute instead, and
        whoever had got into the middle of it is given once more what lies within a second of that place.

        Args:
            boot: the boot's number.
            after_ms: the number of the last commit that is not wanted again; -1 from the start.
        Returns: the commit's number (ms since boot, above 0) and its readings, oldest first.
        """
        yield from Commits(self._opened.ask, self._stretches, self._unpack, boot).after(after_ms)

    def commit_count(self, boot: int, after_ms: int = -1, most: int = 100_000) -> int:
        """Tell how many commits of a boot come after one of them, counting no further than `most`.

        What has been sealed counts by the minute, those without readings too.
        """
        return Commits(self._opened.ask, self._stretches, self._unpack, boot).count(after_ms, most)

    def latest(self) -> dict[str, Placed]:
        """Give the newest reading of each instrument, out of the last 400 commits that are not sealed.

        With everything sealed, as after a long time without the service: out of the last hour.
        """
        found: dict[str, Placed] = {}
        before = row_key((1 << 23) - 1, MS_MOST)
        for _ in range(0, LATEST_ROWS, CHUNK_ROWS):
            rows = self._opened.ask("SELECT k, row FROM tail WHERE k < ? ORDER BY k DESC LIMIT ?", before, CHUNK_ROWS)
            for key, row in rows:
                boot, _ = split_key(key)
                for reading in reversed(self._unpack(key, row, None, None)):
                    found.setdefault(reading.instrument, Placed(boot, reading))
            if len(rows) < CHUNK_ROWS or len(found) == len(self._names().instruments):
                break
            before = rows[-1][0]
        newest = None if found else self.newest_s()
        if newest is not None:
            hour_s = newest[1] // 3600.0 * 3600.0
            for boot, reading in self.readings(since=(newest[0], hour_s)):
                found[reading.instrument] = Placed(boot, reading)
        return found

    def _unpack(self, key: int, row: bytes, instrument: str | None, quantity: str | None) -> list[Reading]:
        try:
            try:
                return unpack_row(key, row, self._names(), instrument=instrument, quantity=quantity)
            except UnknownNumber:  # its names were stored with it, after the list was read
                self._catalogue = None
                return unpack_row(key, row, self._names(), instrument=instrument, quantity=quantity)
        except (DamagedRow, UnknownNumber):
            self.damaged.add(key)
            return []

    # -- the rest ------------------------------------------------------------------------------

    def state(self, name: str) -> dict[str, object] | None:
        """Give a named state as it was saved last, None when it never was."""
        saved = self.saved(name)
        return None if saved is None else saved.body

    def saved(self, name: str) -> Saved | None:
        """Give a named state with the boot and the time of the commit that saved it."""
        rows = self._opened.ask("SELECT boot, at_ms, json FROM state WHERE name = ?", name)
        return Saved(rows[0][0], rows[0][1] / 1000.0, _mapping(rows[0][2])) if rows else None

    def alert_events(self, after_id: int = 0, limit: int | None = None, boot: int | None = None) -> list[StoredEvent]:
        """Give changes of alerts after an id, oldest first; of one boot only, if asked."""
        rows = self._opened.ask(
            "SELECT id, boot, at_ms, alert, rule, state, value, bound, severity, json FROM alert_event"
            " WHERE id > ?1 AND (?3 IS NULL OR boot = ?3) ORDER BY id LIMIT ?2",
            after_id,
            -1 if limit is None else limit,
            boot,
        )
        return [
            StoredEvent(number, boot, ms / 1000.0, alert, rule, state, value, bound, severity, _mapping(text))
            for number, boot, ms, alert, rule, state, value, bound, severity, text in rows
        ]

    def notices(self, after_id: int = 0, limit: int = 100) -> list[StoredNotice]:
        """Give queued notices after an id, oldest first."""
        rows = self._opened.ask(
            "SELECT id, boot, at_ms, json FROM notice WHERE id > ? ORDER BY id LIMIT ?", after_id, limit
        )
        return [StoredNotice(row[0], row[1], row[2] / 1000.0, _mapping(row[3])) for row in rows]

    def entries(self, after_id: int = 0, limit: int = 100) -> list[StoredEntry]:
        """Give what people wrote after an id, oldest first."""
        rows = self._opened.ask(
            "SELECT id, boot, at_ms, who, kind, text FROM entry WHERE id > ? ORDER BY id LIMIT ?", after_id, limit
        )
        return [StoredEntry(row[0], row[1], row[2] / 1000.0, *row[3:]) for row in rows]

    def boots(self) -> list[BootEntry]:
        """Give every boot the record has seen, oldest first."""
        rows = self._opened.ask("SELECT number, boot_id, first_ms, wall_utc_ms FROM boot ORDER BY number")
        return [BootEntry(number, boot_id, first / 1000.0, wall / 1000.0) for number, boot_id, first, wall in rows]

    def boot_number(self, boot_id: str) -> int | None:
        """Give the newest number under which the record knows a boot; None when it has never seen it."""
        number = self._opened.ask("SELECT max(number) FROM boot WHERE boot_id = ?", boot_id)[0][0]
        return None if number is None else int(number)

    def newest_of_boot_s(self, boot: int) -> float:
        """Give the seconds of the newest commit of a boot; 0 when it has recorded nothing."""
        return newest_ms(self._opened.ask, boot) / 1000.0

    def bounds_of(self, boot: int, at_s: float) -> Bounds:
        """Give the earliest and the latest time, seconds since 1970, that a time of a boot can have.

        Both are the time itself in a boot that is placed in the calendar; None where nothing tells.
        """
        boots = self.boots()
        newest_s = {entry.number: self.newest_of_boot_s(entry.number) for entry in boots}
        return bounds_of(boots, newest_s, self.utc_of, boot, at_s)

    def runs(self) -> list[StoredRun]:
        """Give every start of the service with how the run before ended, oldest first."""
        return runs_of(self._opened.ask)

    def days(self) -> list[Day]:
        """Give the rows of the daybook, in the order in which the days began."""
        return days_of(self._opened.ask)

    def copy_to(self, target: Path) -> None:
        """Copy the record, with what is in its log, into a new file, in one step; the writer goes on meanwhile.

        Raises: StoreError: it can't be read, or the copy can't be written.
        """
        self._opened.copy_to(target)

    def check_pages(self) -> list[str]:
        """Let SQLite look over its own pages; tells what it finds wrong, at most ten things."""
        try:
            rows = [row[0] for row in self._opened.ask("PRAGMA quick_check(10)")]
        except StoreDamaged as why:
            return [str(why)]
        return [] if rows == ["ok"] else rows

    @property
    def layout(self) -> int:
        """The layout's number in the file."""
        return int(self._opened.ask("PRAGMA user_version")[0][0])

    def channels(self) -> tuple[ChannelEntry, ...]:
        """Give every channel there ever was."""
        self._catalogue = None
        return self._names().channels

    def anchors(self) -> list[Anchor]:
        """Give the trusted pairs of elapsed and wall time, in the order they were recorded."""
        return [anchor_of(row) for row in self._opened.ask(ANCHORS_QUESTION)]

    def newest_anchor(self) -> Anchor | None:
        """Give the trusted pair that was recorded last."""
        rows = self._opened.ask(ANCHORS_QUESTION + " DESC LIMIT 1")
        return anchor_of(rows[0]) if rows else None

    def utc_of(self, boot: int, at_s: float) -> float | None:
        """Give seconds since 1970 for a time of a boot; None when nobody vouched for a clock in it."""
        return self._dates().utc_of(boot, at_s)

    def newest_s(self) -> tuple[int, float] | None:
        """Give the boot and the time of the newest commit that held a reading, or of what is sealed of it."""
        tail, piece, block = (self._opened.ask(f"SELECT max(k) FROM {table}")[0][0] for table in NEWEST_OF)
        sealed = max((key for key in (piece, block) if key is not None), default=None)
        if sealed is not None and (tail is None or split_key(tail)[0] < ChunkKey.of(sealed).boot):
            boot = ChunkKey.of(sealed).boot
            return boot, newest_sealed_ms(self._opened.ask, boot) / 1000.0
        if tail is None:
            return None
        boot, ms = split_key(tail)
        return boot, ms / 1000.0

    def size(self) -> RecordSize:
        """Tell how big the record is."""
        (rows,) = self._opened.ask("SELECT count(*) FROM tail")[0]
        (free_pages,) = self._opened.ask("PRAGMA freelist_count")[0]
        disk = os.statvfs(self.file)
        return RecordSize(
            self.file,
            self.file.stat().st_size,
            self._opened.log_bytes(),
            free_pages * layout.PAGE_BYTES,
            rows,
            disk.f_bavail * disk.f_frsize,
        )

    def sweep(self, progress: Callable[[int, int], None] = lambda done, of: None) -> Swept:
        """Compare every row that has a checksum with it, and sealed chunks with what must be there.

        Args:
            progress: told the rows looked at so far and how many there are.
        """
        return sweep(self._opened.ask, progress)

    def damage_met(self) -> list[Damage]:
        """Say of every row that was left out so far because it is damaged what it held, in the order of times."""
        places = {("tail", key) for key in self.damaged}
        places |= {place for place in self.damaged_chunks if place[0] in SWEPT_TABLES}
        found = [damage_of(self._opened.ask, self._names(), *place) for place in places]
        for boot, ms in self._stretches.damaged_pages:
            begin_s = ms / 1000.0
            key = first_key(boot, ms // HOUR_MS)
            found.append(Damage("block", key, PAGES, "", "", boot, begin_s, begin_s + BLOCK_H * 3600.0, None))
        return sorted(found, key=lambda one: (one.boot, one.begin_s, one.table, one.key))

    def damage_at(self, table: str, key: int) -> Damage:
        """Say what a damaged row holds, as far as it can be told."""
        return damage_of(self._opened.ask, self._names(), table, key)

    def set_aside(self, since: Moment | None = None, until: Moment | None = None) -> list[Damage]:
        """Give what was set aside because it was damaged and touches a range, in the order of times."""
        first = (0, 0.0) if since is None else self._place(since)
        end = None if until is None else self._place(until)
        return [
            one
            for one in asides(self._opened.ask)
            if (one.boot, one.end_s) >= first and (end is None or (one.boot, one.begin_s) < end)
        ]

    def check_rows(self) -> int:
        """Compare every row with its checksum, note the damaged ones, and tell how many rows there are."""
        count, first = 0, 0
        while True:
            rows = self._opened.ask("SELECT k, row FROM tail WHERE k >= ? ORDER BY k LIMIT ?", first, CHUNK_ROWS)
            for key, row in rows:
                try:
                    check_row(key, row)
                except DamagedRow:
                    self.damaged.add(key)
            count += len(rows)
            if len(rows) < CHUNK_ROWS:
                return count
            first = rows[-1][0] + 1

    # -- names and dates -----------------------------------------------------------------------

    def _names(self, anew: bool = False) -> Catalogue:
        """The names behind the numbers, read again when the file is another one, or when asked."""
        if anew or self._catalogue is None or self._catalogue_of != self._opened.openings:
            ask = self._opened.ask
            self._catalogue = Catalogue(**{kind: ask(question) for kind, question in CATALOGUE_QUESTIONS.items()})
            self._catalogue_of = self._opened.openings
        return self._catalogue

    def _dates(self) -> Dating:
        """The anchors, read again when anybody has committed anything."""
        (version,) = self._opened.ask("PRAGMA data_version")[0]
        stamp = (self._opened.openings, int(version))
        if self._dating is None or stamp != self._dating_of:
            self._dating = Dating(self.anchors())
            self._dating_of = stamp
        return self._dating

    def _place_ms(self, moment: Moment) -> tuple[int, int]:
        boot, place_s = self._place(moment)
        return boot, at_ms(place_s)

    def _place(self, moment: Moment) -> tuple[int, float]:
        if not isinstance(moment, datetime):
            return moment[0], min(max(moment[1], 0.0), MS_MOST / 1000.0)
        if moment.tzinfo is None:
            raise ValueError(f"{moment} says no time zone")
        return self._dates().moment_of(moment.timestamp()) or (0, 0.0)


def _mapping(text: str) -> dict[str, object]:
    """What a JSON column holds; nothing where it was damaged, because no checksum guards it."""
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) else {}
