"""The record's table: what it takes of a disk, writes on it, reads from it, and loses; beside plain SQLite.

By hand: `python tests/bench/record_table.py [--days 365] [--write-hours 24] [--folder DIR]`. Everything in the
table is measured in this run. The days lie evenly over a year; with fewer than 365 the sizes are taken
times 365/days and the line says so, and the cold read of a year is of a year in which the same 25 channels
are polled each minute: it has as many hours, which is what such a curve is drawn from. Writing is measured on an
ext4 of its own on a loop device, whose counters hold the journal and all metadata; without root or a loop
device that part is left out and said. A day is gone through as fast as it will, not in a day.
"""

import argparse
import ctypes
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench.record_kills import run as run_kills  # noqa: E402
from bench.record_kills import table as kills_table  # noqa: E402
from bench.record_site import VALUES_A_DAY, BenchSite, commits, entropy_bytes  # noqa: E402

from daemon.record import Batch, Record, RecordReader  # noqa: E402
from daemon.record.patrol import EVERY_MS, Patrol  # noqa: E402
from daemon.record.wear import count, wear  # noqa: E402
from shared.readings import Reading  # noqa: E402

YEAR_D = 365
HOUR_S, DAY_S = 3600.0, 86_400.0
SLACK_S = 61.0
LOOP_MB = 600
FLIPS = 400
_FADV_DONTNEED = 4


def row(name: str, value: str, note: str = "") -> None:
    """Print one line of the table."""
    print(f"{name:<46}{value:>16}  {note}", flush=True)


# -- size --------------------------------------------------------------------------------------------


def build(folder: Path, days: int, *, every_s: int | None = None) -> tuple[float, float, list[float], list[float]]:
    """Fill a record with days of the site.

    Returns: reference entropy, bytes a value; mean time to seal, us a value; every slice and commit, ms.
    """
    site = BenchSite(every_s=every_s)
    record = Record.open(folder, boot_id="be" * 16, elapsed_s=0.0, wall_utc_s=0.0)
    entropy, values = 0.0, 0
    left: list[bool] = []
    slices: list[float] = []
    stored: list[float] = []
    for day in range(days):
        for hour in range(24):
            readings = site.hour()
            if (day + hour) % 24 == 0:
                more, some = entropy_bytes(readings)
                entropy, values = entropy + more, values + some
            end_s = (day * 24 + hour + 1) * HOUR_S
            for part in commits(readings, 600.0):
                stored.append(timed_ms(lambda: record.commit(Batch(readings=part, until_s=part[-1].at_s + 0.1))))  # noqa: B023
            while True:
                slices.append(timed_ms(lambda: left.append(record.tend(end_s + SLACK_S))))  # noqa: B023
                if not left.pop():
                    break
        site.skip_days(YEAR_D // days - 1)
    record.close()
    return entropy / values, sum(slices) / 1e3 / (days * VALUES_A_DAY) * 1e6, slices, stored


def sizes(file: Path) -> dict[str, int]:
    """How many bytes of pages each table takes."""
    with sqlite3.connect(f"file:{file}?immutable=1", uri=True) as db:
        return dict(db.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name").fetchall())


class Narrow:
    """Plain SQLite, one row a value, by time and channel."""

    name = "narrow, (time, channel)"
    key = "t, ch"

    def __init__(self, folder: Path) -> None:
        self._db = open_plain(folder / "plain.db")
        self._db.execute(f"CREATE TABLE r (t INTEGER, ch INTEGER, v REAL, PRIMARY KEY ({self.key})) WITHOUT ROWID")
        self._channels: dict[tuple[str, str], int] = {}

    def commit(self, readings: Sequence[Reading]) -> None:
        """Store readings in one transaction."""
        rows = []
        for reading in readings:
            ms = round(reading.at_s * 1000.0)
            for quantity, value in reading.values.items():
                place = (reading.instrument, quantity)
                rows.append((ms, self._channels.setdefault(place, len(self._channels)), value))
        self._db.execute("BEGIN")
        self._db.executemany("INSERT INTO r VALUES (?, ?, ?)", rows)
        self._db.execute("COMMIT")

    def curve(self, since_s: float, until_s: float) -> int:
        """200 points of channel 0."""
        return points(
            self._db,
            "SELECT t / ?3, min(v), max(v), avg(v) FROM r WHERE ch = 0 AND t >= ?1 AND t < ?2 GROUP BY 1",
            since_s,
            until_s,
        )

    def close(self) -> None:
        """Close the file."""
        self._db.close()


class NarrowByChannel(Narrow):
    """The same by channel and time."""

    name = "narrow, (channel, time)"
    key = "ch, t"


class Wide:
    """Plain SQLite, one row a poll."""

    name = "wide, a row a poll"

    def __init__(self, folder: Path) -> None:
        self._db = open_plain(folder / "plain.db")
        self._known: set[str] = set()

    def commit(self, readings: Sequence[Reading]) -> None:
        """Store readings in one transaction."""
        rows: dict[str, list[tuple[float, ...]]] = {}
        for reading in readings:
            rows.setdefault(reading.instrument, []).append((round(reading.at_s * 1000.0), *reading.values.values()))
            if reading.instrument not in self._known:
                columns = ", ".join(f"{quantity} REAL" for quantity in reading.values)
                self._db.execute(f"CREATE TABLE {reading.instrument} (t INTEGER PRIMARY KEY, {columns})")
                self._known.add(reading.instrument)
        self._db.execute("BEGIN")
        for name, of_instrument in rows.items():
            marks = ", ".join("?" * len(of_instrument[0]))
            self._db.executemany(f"INSERT INTO {name} VALUES ({marks})", of_instrument)
        self._db.execute("COMMIT")

    def curve(self, since_s: float, until_s: float) -> int:
        """200 points of the bank's voltage."""
        question = "SELECT t / ?3, min(bank_v), max(bank_v), avg(bank_v) FROM shunt WHERE t >= ?1 AND t < ?2 GROUP BY 1"
        return points(self._db, question, since_s, until_s)

    def close(self) -> None:
        """Close the file."""
        self._db.close()


class Ours:
    """The record, sealing as the service does."""

    name = "the record"

    def __init__(self, folder: Path) -> None:
        self._record = Record.open(folder, boot_id="be" * 16, elapsed_s=0.0, wall_utc_s=0.0)

    def commit(self, readings: Sequence[Reading]) -> None:
        """Store readings in one transaction, and tend what is due."""
        until_s = readings[-1].at_s + 0.1
        self._record.commit(Batch(readings=list(readings), until_s=until_s))
        while self._record.tend(until_s):
            pass

    def close(self) -> None:
        """Close the file."""
        self._record.close()


PLAIN = (Narrow, NarrowByChannel, Wide)


def open_plain(file: Path) -> sqlite3.Connection:
    """A file with the same settings as the record's."""
    db = sqlite3.connect(file, isolation_level=None)
    db.execute("PRAGMA page_size = 4096")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    return db


def points(db: sqlite3.Connection, question: str, since_s: float, until_s: float) -> int:
    """How many points a question for a curve gives."""
    width = max(1, round((until_s - since_s) * 5.0))  # ms: a 200th of the span
    return len(db.execute(question, (round(since_s * 1000), round(until_s * 1000), width)).fetchall())


def plain_size(form: type[Narrow] | type[Wide], folder: Path, days: int) -> tuple[float, float]:
    """Bytes a value, and ms for a cold curve of the last day."""
    store, site = form(folder), BenchSite()
    for _ in range(days * 24):
        for part in commits(site.hour(), 600.0):
            store.commit(part)
    store.close()
    file = folder / "plain.db"
    forget(file)
    db = sqlite3.connect(file)
    store._db = db
    cold_ms = timed_ms(lambda: store.curve((days - 1) * DAY_S, days * DAY_S))
    db.close()
    return file.stat().st_size / (days * VALUES_A_DAY), cold_ms


# -- writing -----------------------------------------------------------------------------------------


@contextmanager
def loop_disk() -> Iterator[Path]:
    """An empty ext4 on a loop device of its own."""
    with tempfile.TemporaryDirectory(prefix="halfmark-loop-") as outer:
        image, place = Path(outer) / "image", Path(outer) / "disk"
        place.mkdir()
        with image.open("wb") as file:
            file.truncate(LOOP_MB << 20)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
        subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)
        try:
            yield place
        finally:
            subprocess.run(["umount", str(place)], check=True)


def written(form: Callable[[Path], Ours | Narrow | Wide], commit_s: float, hours: float) -> tuple[float, float]:
    """MB and flushes a day on a disk of its own, going through `hours` of the site."""
    with loop_disk() as disk:
        store, site = form(disk), BenchSite(start_day=150)
        ctypes.CDLL(None).sync()
        before = count(disk, 0.0)
        done = 0.0
        while done < hours:
            for part in commits(site.hour(), commit_s):
                store.commit(part)
            done += 1.0
        ctypes.CDLL(None).sync()
        told = wear(before, count(disk, done * HOUR_S))
        store.close()
    return told.written_a_day_bytes / 1e6, told.flushes_a_day or 0.0


# -- reading -----------------------------------------------------------------------------------------


def forget(file: Path) -> None:
    """Have the kernel forget what it holds of a file."""
    handle = os.open(file, os.O_RDONLY)
    try:
        os.fsync(handle)
        os.posix_fadvise(handle, 0, 0, _FADV_DONTNEED)
    finally:
        os.close(handle)


def timed_ms(work: Callable[[], object]) -> float:
    """How long it takes, ms."""
    began_s = time.perf_counter()
    work()
    return (time.perf_counter() - began_s) * 1e3


def cold_ms(folder: Path, span_s: float, newest_s: float) -> tuple[float, float, int]:
    """A curve over a span, from opening the record on: cold, warm, and its points."""
    found = 0

    def draw() -> None:
        nonlocal found
        with RecordReader(folder) as reader:
            (series,) = reader.series("bank_v", "shunt", (1, max(0.0, newest_s - span_s)), (1, newest_s + HOUR_S))
            found = len(series.points)

    runs = []
    for _ in range(5):
        forget(folder / "record.db")
        runs.append(timed_ms(draw))
    return sorted(runs)[2], min(timed_ms(draw) for _ in range(5)), found


# -- damage ------------------------------------------------------------------------------------------


def flips_found(folder: Path, count_of_flips: int, chance: random.Random) -> tuple[int, int, int]:
    """Flip single bits in pages of raw readings, one at a time.

    Returns: flips where something lies, of those found; and flips altogether, where nothing lies too.
    """
    file = folder / "record.db"
    whole = file.read_bytes()
    with sqlite3.connect(f"file:{file}?immutable=1", uri=True) as db:
        pages = db.execute(
            "SELECT pageno FROM dbstat WHERE name IN ('block', 'piece', 'tail') AND pagetype != 'internal'"
        ).fetchall()
        before = content(db)
    db.close()
    real = found = 0
    copy = folder / "flipped.db"
    copy.write_bytes(whole)
    for _ in range(count_of_flips):
        at = (chance.choice(pages)[0] - 1) * 4096 + chance.randrange(4096)
        flipped = whole[at] ^ 1 << chance.randrange(8)
        with copy.open("r+b") as handle:
            handle.seek(at)
            handle.write(bytes([flipped]))
            handle.flush()
            seen = is_found(copy)
            changed = seen or not is_same(copy, before)
            handle.seek(at)
            handle.write(whole[at : at + 1])
        real += changed
        found += seen
    return real, found, count_of_flips


def content(db: sqlite3.Connection) -> list[tuple[object, ...]]:
    """Every raw row there is."""
    return [
        found
        for table in ("block", "piece", "tail")
        for found in db.execute(f"SELECT k, row FROM {table} ORDER BY k").fetchall()
    ]


def is_same(file: Path, before: list[tuple[object, ...]]) -> bool:
    """Whether every raw row is as it was."""
    db = sqlite3.connect(f"file:{file}?immutable=1", uri=True)
    try:
        return content(db) == before
    except sqlite3.Error:
        return False
    finally:
        db.close()


def is_found(file: Path) -> bool:
    """Whether the sweep, or SQLite on the way, says that something is wrong."""
    from daemon.errors import StoreError

    try:
        with RecordReader(file) as reader:
            return not reader.sweep().is_whole
    except StoreError:
        return True


# -- the table ---------------------------------------------------------------------------------------


def print_sizes(folder: Path, days: int, plain_days: int) -> float:
    """Print what is taken of the disk; give the time of the newest reading."""
    began_s = time.perf_counter()
    entropy, seal_us, slices, stored = build(folder / "ours", days)
    took_s = time.perf_counter() - began_s
    file = folder / "ours" / "record.db"
    values, scale = days * VALUES_A_DAY, YEAR_D / days
    pages = sizes(file)
    note = "" if days == YEAR_D else f"(from {days} days over the year, times {scale:.1f})"
    print(f"\nsize: {values / 1e6:.1f} M values of {days} days in {took_s:.0f} s, reference {entropy:.3f} B/value")
    row("disk a year, all in", f"{file.stat().st_size * scale / 1e6:.1f} MB", f"target 105, stretch 80 {note}")
    for table in ("block", "minute", "hour", "piece", "tail"):
        row(f"  pages of {table}", f"{pages.get(table, 0) * scale / 1e6:.1f} MB")
    row("sealed raw with pages", f"{pages['block'] / values:.3f} B/value", "target 0.35, stretch 0.27")
    slices.sort()
    row(
        "sealing",
        f"{seal_us:.2f} us/value",
        f"longest slice {slices[-1]:.1f} ms, 99.9 % {slices[-len(slices) // 1000 - 1]:.1f}",
    )
    for form in PLAIN:
        with tempfile.TemporaryDirectory(dir=folder) as place:
            bytes_a_value, plain_ms = plain_size(form, Path(place), plain_days)
        a_year = bytes_a_value * VALUES_A_DAY * YEAR_D / 1e6
        row(f"{form.name}: a year", f"{a_year:.0f} MB", f"{bytes_a_value:.2f} B/value; cold day {plain_ms:.0f} ms")
    return days * DAY_S


def print_writes(hours: float) -> None:
    """Print what is written."""
    print(f"\nblock writes a day, {hours:g} h gone through on an ext4 of their own")
    for commit_s, target in ((10.0, "target 110, stretch 42"), (60.0, "target 35, stretch 11")):
        for form in (Ours, *PLAIN):
            megabytes, flushes = written(form, commit_s, hours)
            row(f"{form.name}, commit {commit_s:g} s", f"{megabytes:.1f} MB", f"{flushes:.0f} flushes; {target}")
            target = ""


def print_patrol(folder: Path, days: int) -> None:
    """Print what one round of the slow look for damage costs."""
    db = sqlite3.connect(f"file:{folder / 'record.db'}?immutable=1", uri=True)
    patrol, read_bytes = Patrol(), 0
    taken_ms: list[float] = []

    def ask(question: str, *values: object) -> list[Any]:
        nonlocal read_bytes
        found = db.execute(question, values).fetchall()
        read_bytes += sum(len(one) for row in found for one in row if isinstance(one, bytes))
        return found

    while patrol.rounds == 0:
        began_s = time.thread_time()
        patrol.step(ask)
        taken_ms.append((time.thread_time() - began_s) * 1e3)
    db.close()
    steps, a_day = len(taken_ms), 86_400_000 / EVERY_MS
    taken_ms.sort()
    print(f"\nslow look for damage, {a_day:.0f} steps a day")
    row("one step", f"{taken_ms[steps // 2]:.1f} ms", f"longest {taken_ms[-1]:.1f} ms processor time")
    row("a day", f"{sum(taken_ms) / steps * a_day / 1e3:.1f} s", f"{read_bytes / steps * a_day / 1e6:.1f} MB read")
    row("one round of a year", f"{steps * YEAR_D / days / a_day:.1f} days", f"found damaged: {patrol.count}")


def add_unsealed_hour(folder: Path, newest_s: float) -> None:
    """Put an hour behind the rest, unless it is there, that is committed each 10 s and not sealed, as in a service."""
    record = Record.open(folder, boot_id="be" * 16, elapsed_s=newest_s + 2 * HOUR_S, wall_utc_s=0.0)
    if not record._db.execute("SELECT count(*) FROM tail WHERE k > ?", (1 << 40 | round(newest_s * 1e3),)).fetchone()[
        0
    ]:
        for part in commits(BenchSite().hour(), 10.0):
            later = [Reading(one.instrument, one.at_s + newest_s, one.values) for one in part]
            record.commit(Batch(readings=later, until_s=later[-1].at_s + 0.1))
    record.close()


def print_reads(folder: Path, newest_s: float) -> None:
    """Print how long curves take."""
    print("\ncurve of 200 points of a 1 s channel, from opening the file on, median of 5")
    for name, days, target in (("1 day", 1, 60), ("30 days", 30, 40), ("1 year", YEAR_D, 10)):
        place, note = folder / "ours", ""
        if newest_s < days * DAY_S:
            place, note, newest_s = folder / f"minutes-{days}", ", polled each minute", days * DAY_S
            build(place, days, every_s=60)
        add_unsealed_hour(place, newest_s)
        cold, warm, many = cold_ms(place, days * DAY_S, newest_s)
        row(name, f"{cold:.1f} ms", f"warm {warm:.1f} ms, {many} points, target {target}{note}")


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=int, default=YEAR_D)
    parser.add_argument("--plain-days", type=int, default=2)
    parser.add_argument("--write-hours", type=float, default=24.0)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--folder", type=Path)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="halfmark-table-", dir=chosen.folder) as place:
        folder = Path(place)
        newest_s = print_sizes(folder, chosen.days, chosen.plain_days)
        print_patrol(folder / "ours", chosen.days)
        print_reads(folder, newest_s)
        print("\nsingle bits flipped in pages of raw readings, found by the sweep")
        small = folder / "small"
        build(small, 2)
        real, found, flips = flips_found(small, FLIPS, random.Random(1))
        row("that changed something", f"{found} of {real}", f"{flips} flipped; the others lie where nothing is stored")
        if chosen.write_hours:
            try:
                print_writes(chosen.write_hours)
            except (OSError, subprocess.CalledProcessError) as why:
                row("block writes", "-", f"no loop device here: {why}")
        if chosen.kills:
            print(f"\n{chosen.kills} kill -9 in commits and sealing")
            print(kills_table(run_kills(folder / "kills", chosen.kills, 1, sealing=True)))
        with suppress(OSError):
            ctypes.CDLL(None).sync()
    return 0


if __name__ == "__main__":
    sys.exit(main())
