"""The writer's side of the record: one open file, one transaction a commit, one service at a time."""

import dataclasses
import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from daemon.clock import Anchor
from daemon.errors import StoreError, StoreFull
from daemon.record import files, layout, room
from daemon.record.catalogue import Catalogue, Channel
from daemon.record.contents import AlertChange, Batch, Boot, Damage
from daemon.record.damage import chunk_key, damage_of, set_aside_damaged
from daemon.record.days import put_days
from daemon.record.doubles import without_doubles
from daemon.record.failures import is_damage, writing_error
from daemon.record.packing import at_ms, pack_row, row_key, split_key
from daemon.record.patrol import EVERY_MS, Patrol
from daemon.record.patrol import STATE_NAME as PATROL_STATE
from daemon.record.sealing import Sealed, Sealer
from daemon.record.sweep import newest_sealed_ms

# How long a commit waits for another program that has locked the file, s.
LOCKED_WAIT_S = 2.0
# Commits that come faster than one a millisecond push their keys ahead of the clock, by this much at most.
AHEAD_MOST_MS = 5_000
LOOK_EVERY_MS = 60_000
WORK_EVERY_MS = 10_000
SHRINK_PAGES = 64  # given back in one piece of work
DROPS_MOST = 4  # blocks given up for one commit; each has more room than a commit needs


class Record:
    """The open record of this service. All methods, `open` included, are called on one thread.

    Attributes:
        boot: the boot this service runs in.
        file: the record's file.
        set_aside: where a damaged file was moved to at this start, or None.
        newest_anchor: the newest trusted pair, of this boot or one before, or None.
        room: how much there was when `tend` looked last, None before.
        patrol: the slow look for damage.
        newly_damaged: what it has found; whoever tells of it empties this.
        dropped_blocks: how many blocks of old readings or minutes went to keep within the budget.
    """

    def __init__(self, file: Path, lock: files.RecordLock, aside: Path | None, pages_most: int | None) -> None:
        self.file = file
        self.set_aside = aside
        self.boot = Boot(0, "")
        self.newest_anchor: Anchor | None = None
        self._lock = lock
        self._pages_most = pages_most
        self._last_key = 0
        self._catalogue = Catalogue()
        self.room: room.Room | None = None
        self.dropped_blocks = 0
        self._looked_ms = self._worked_ms = -LOOK_EVERY_MS
        self._patrolled_ms = -EVERY_MS
        self._now = (0, 0)
        self.patrol = Patrol()
        self.newly_damaged: list[Damage] = []
        try:
            self._db = sqlite3.connect(file, timeout=LOCKED_WAIT_S, isolation_level=None)
        except sqlite3.Error as why:
            raise writing_error(why, file) from why
        self._sealer = Sealer(self._db, self._transaction, lambda: self._catalogue)

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        boot_id: str,
        elapsed_s: float,
        wall_utc_s: float,
        channels: Sequence[Channel] = (),
        group: str | int | None = None,
        pages_most: int | None = None,
    ) -> "Record":
        """Open the record in a folder, made if need be, and hold it against a second service.

        A file that is no database or a broken one is set aside, never deleted, and a new one begun.

        Args:
            folder: where the record lies.
            boot_id: the kernel's id of this boot.
            elapsed_s: seconds since boot.
            wall_utc_s: what the wall clock claims, seconds since 1970; kept as evidence only.
            channels: what is kept in another step than its quantity's own; any other reading is kept as well.
            group: whose members may read, by name or number; None for this process's own group.
            pages_most: how many pages of 4096 bytes the file may have; None for no limit.
        Raises:
            StoreBusy: another service holds the record.
            StoreFull, StoreReadOnly: it can't be made or written there.
            StoreError: it is another program's file, a newer release's, or can't be opened.
        """
        folder = Path(folder)
        number = None if group is None else files.group_number(group)
        files.make_folder(folder, number)
        lock = files.RecordLock(folder / files.LOCK_NAME, number)
        if room.disk_free_bytes(folder) < room.SAFE_BYTES:
            room.drop_ballast(folder)
        try:
            aside = None
            while True:
                aside = files.set_aside_if_damaged(folder / files.RECORD_NAME, wall_utc_s) or aside
                files.make_file(folder / files.RECORD_NAME, number)
                try:
                    record = cls(folder / files.RECORD_NAME, lock, aside, pages_most)
                    record._start(boot_id, channels, elapsed_s, wall_utc_s)
                    return record
                except StoreError:
                    if aside is not None or not files.is_damaged(folder / files.RECORD_NAME):
                        raise
        except BaseException:
            lock.release()
            raise

    def _start(self, boot_id: str, channels: Sequence[Channel], elapsed_s: float, wall_utc_s: float) -> None:
        try:
            self._prepare()
            for channel in channels:
                self._catalogue.add(channel)
            with self._transaction():
                self._put_catalogue()
                self.boot = self._boot(boot_id, at_ms(elapsed_s), wall_utc_s)
                self._now = (self.boot.number, at_ms(elapsed_s))
                self._last_key = self._newest_key(self.boot.number)
                self.newest_anchor = self._read_newest_anchor()
            self._take_up_patrol()
        except BaseException:
            self._db.close()
            raise
        self._catalogue.additions.clear()

    def _take_up_patrol(self) -> None:
        with suppress(ValueError, sqlite3.Error):  # then it begins with the first row again
            rows = self._ask("SELECT json FROM state WHERE name = ?", PATROL_STATE)
            state = json.loads(rows[0][0]) if rows else None
            if isinstance(state, dict):
                self.patrol.take_up(state)

    def _prepare(self) -> None:
        try:
            layout.prepare(self._db, self._pages_most)
            ask = self._db.execute
            names = {kind: ask(question).fetchall() for kind, question in layout.CATALOGUE_QUESTIONS.items()}
        except sqlite3.Error as why:
            raise self._failed(why) from why
        except StoreError as why:
            raise StoreError(f"{self.file} can't be used: {why}") from why
        self._catalogue = Catalogue(**names)

    def commit(self, batch: Batch) -> None:
        """Store a batch in one transaction, on the disk when this returns.

        Nothing is taken out of the batch: after an error it is still whole, and it or one it has
        been merged into can be committed later.

        Raises: StoreFull, StoreReadOnly, StoreError: nothing of the batch has been stored.
        """
        if not batch:
            return
        try:
            self._commit(batch)
        except StoreFull:
            for _ in self._ways_out_of_full():
                try:
                    self._commit(batch)
                except StoreFull:
                    continue
                return
            raise

    def without_doubles(self, batch: Batch) -> Batch:
        """Give a batch without those notices and events that are in the record; it stays as it is itself.

        Raises: StoreError: the record can't be read.
        """
        try:
            return without_doubles(self._ask, self.boot.number, batch)
        except sqlite3.Error as why:
            raise self._failed(why) from why

    def _commit(self, batch: Batch) -> None:
        key = row = None
        if batch.readings:
            key = self._next_key(batch)
            row = pack_row(key, batch.readings, self._catalogue)
        with self._transaction():
            self._put_catalogue()
            if row is not None:
                self._db.execute("INSERT INTO tail (k, row) VALUES (?, ?)", (key, row))
            self._put_happenings(batch)
        self._catalogue.additions.clear()
        if key is not None:
            self._last_key = key
        if batch.anchors:
            newest = batch.anchors[-1]
            self.newest_anchor = dataclasses.replace(newest, boot=newest.boot or self.boot.number)

    # -- housekeeping --------------------------------------------------------------------------

    @property
    def sealed(self) -> Sealed:
        """What has been sealed since the record was opened."""
        return self._sealer.sealed

    def tend(self, elapsed_s: float) -> bool:
        """Do one short piece of housekeeping: sealing, packing, keeping within the budget, looking for damage.

        It runs on elapsed time alone and needs no calendar. Between two pieces a commit may come.

        Args:
            elapsed_s: seconds since boot.
        Returns: whether there is more to do at once.
        Raises: StoreError: it could not be stored; what was sealed half is begun anew later.
        """
        now_ms = at_ms(elapsed_s)
        self._now = (self.boot.number, now_ms)
        try:
            if now_ms - self._worked_ms >= WORK_EVERY_MS or now_ms < self._worked_ms:
                if self._sealer.step(self.boot.number, now_ms):
                    return True
                self._worked_ms = now_ms
            if now_ms - self._looked_ms >= LOOK_EVERY_MS or now_ms < self._looked_ms:
                self._looked_ms = now_ms
                room.make_ballast(self.file.parent)
                self.room = room.look(self._db, self.file, self._pages_most)
            if (self._is_over_budget() and self._drop_oldest()) or self._shrink():
                return True
            if now_ms - self._patrolled_ms >= EVERY_MS or now_ms < self._patrolled_ms:
                self._patrolled_ms = now_ms
                self.newly_damaged += [
                    damage_of(self._ask, self._catalogue, *place) for place in self.patrol.step(self._ask)
                ]
            return False
        except sqlite3.Error as why:
            self._sealer.forget()
            raise self._failed(why) from why
        except StoreFull:
            self._sealer.forget()
            if not any(True for _ in self._ways_out_of_full()):
                raise
            return True

    def seal_all(self, elapsed_s: float, progress: Callable[[int], None] = lambda slices: None) -> Sealed:
        """Seal everything that is over by now, at once; `progress` is told the slices done so far."""
        slices = 0
        self._worked_ms = -LOOK_EVERY_MS
        while self.tend(elapsed_s):
            slices += 1
            progress(slices)
        return self.sealed

    def set_aside_damaged(self, places: Sequence[tuple[str, int]]) -> list[Damage]:
        """Move rows that a sweep has found damaged to where such rows are kept, in one transaction.

        Each is looked at again: what is whole stays. With polls go the values that are nothing without them, and
        hours that are lost are worked out again from the minutes that are left.

        Args:
            places: table and key of each; at most some ten at once, or a commit waits.
        Returns: what was moved.
        Raises: StoreError: nothing was moved; ValueError: no such table.
        """
        moved: list[Damage] = []
        with self._transaction():
            for table, key in places:
                found = set_aside_damaged(self._db, self._ask, self._catalogue, table, key, *self._now)
                if found and table == "hour":
                    self._sealer.put_hours(chunk_key(table, key))
                moved += found
        for damage in moved:
            self.patrol.forget(damage.table, damage.key)
        self._sealer.forget()
        return moved

    def log_holders(self) -> list[str]:
        """Name who else has the record open, when its log has grown too much; empty otherwise."""
        if self.room is None or self.room.log_bytes < room.LOG_MUCH_BYTES:
            return []
        return room.holders_of(self.file) or ["nobody this user may see"]

    def _is_over_budget(self) -> bool:
        return self._pages_most is not None and room.used_pages(self._db) > room.FULL_SHARE * self._pages_most

    def _shrink(self) -> bool:
        """Give pages back to the disk when the file is larger than its budget, as after that was made smaller."""
        (count,), (free,) = (self._db.execute(f"PRAGMA {what}").fetchone() for what in ("page_count", "freelist_count"))
        if self._pages_most is None or count <= self._pages_most or not free:
            return False
        # As a script: one statement by itself frees one page only.
        self._db.executescript(f"PRAGMA incremental_vacuum({SHRINK_PAGES})")
        return True

    def _drop_oldest(self) -> bool:
        with self._transaction():
            dropped = room.drop_oldest(self._db) is not None
        self.dropped_blocks += dropped
        return dropped

    def _ways_out_of_full(self) -> Iterator[None]:
        """Make room in one way after the other; after each what failed may be tried again."""
        self._reuse_log()
        yield
        if room.disk_free_bytes(self.file.parent) < room.BALLAST_BYTES and room.drop_ballast(self.file.parent):
            self._looked_ms = -LOOK_EVERY_MS
            # At once, before others take the room: the file grows to what is in the log, which then
            # can be used again, and has free pages of its own.
            self._reuse_log()
            self._try_drop()
            yield
        for _ in range(DROPS_MOST):
            if not self._try_drop():
                return
            yield

    def _try_drop(self) -> bool:
        try:
            dropped = self._drop_oldest()
        except StoreError:
            return False
        self._reuse_log()
        return dropped

    def _reuse_log(self) -> None:
        """Bring the log into the file, so that its own room is used again; as far as that goes on a full disk."""
        with suppress(sqlite3.Error):
            self._db.execute("PRAGMA wal_checkpoint(RESTART)").fetchone()

    def close(self) -> None:
        """Bring the log into the file, close it and let go of the lock; a second call does nothing."""
        self._db.close()
        self._lock.release()

    # -- inside a transaction ------------------------------------------------------------------

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")
        except sqlite3.Error as why:
            self._roll_back()
            raise self._failed(why) from why
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")

    def _failed(self, why: sqlite3.Error) -> StoreError:
        """The error to raise; damage is noted, so that the next opening sets the file aside."""
        if is_damage(why):
            files.note_damage(self.file)
        return writing_error(why, self.file)

    def _next_key(self, batch: Batch) -> int:
        """A key at or after the newest reading, and above every earlier one of this boot."""
        newest_ms = max(at_ms(reading.at_s) for reading in batch.readings)
        _, last_ms = split_key(self._last_key)
        return row_key(self.boot.number, max(newest_ms, at_ms(batch.until_s), last_ms + 1))

    def _put_catalogue(self) -> None:
        new = self._catalogue.additions
        self._db.executemany("INSERT INTO instrument (id, name) VALUES (?, ?)", new.instruments)
        self._db.executemany("INSERT INTO channel (id, instrument, quantity, step) VALUES (?, ?, ?, ?)", new.channels)
        self._db.executemany("INSERT INTO reason (id, text) VALUES (?, ?)", new.reasons)

    def _put_happenings(self, batch: Batch) -> None:
        boot, until_ms, execute = self.boot.number, at_ms(batch.until_s), self._db.execute
        for event in batch.events:
            execute(
                "INSERT INTO alert_event (boot, at_ms, alert, rule, state, value, bound, severity, json)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (boot, *_event_row(event)),
            )
        for notice in batch.notices:
            body = _as_mapping(notice)
            time_s = body.get("at_s", batch.until_s)
            notice_ms = at_ms(time_s) if isinstance(time_s, int | float) else until_ms
            execute("INSERT INTO notice (boot, at_ms, json) VALUES (?, ?, ?)", (boot, notice_ms, _as_json(body)))
        for name, value in batch.state.items():
            execute(
                "INSERT OR REPLACE INTO state (name, boot, at_ms, json) VALUES (?, ?, ?, ?)",
                (name, boot, until_ms, _as_json(value)),
            )
        if batch.state and self.patrol.changed:  # along with a commit that is written anyway
            execute(
                "INSERT OR REPLACE INTO state (name, boot, at_ms, json) VALUES (?, ?, ?, ?)",
                (PATROL_STATE, boot, until_ms, _as_json(self.patrol.state())),
            )
        for anchor in batch.anchors:
            execute(
                "INSERT INTO anchor (boot, at_ms, utc_ms, error_ms, source) VALUES (?, ?, ?, ?, ?)",
                (anchor.boot or boot, *map(at_ms, (anchor.at_s, anchor.utc_s, anchor.error_s)), anchor.source),
            )
        for entry in batch.entries:
            execute(
                "INSERT INTO entry (boot, at_ms, who, kind, text) VALUES (?, ?, ?, ?, ?)",
                (boot, at_ms(entry.at_s), entry.who, entry.kind, entry.text),
            )
        put_days(execute, boot, batch)

    def _boot(self, boot_id: str, now_ms: int, wall_utc_s: float) -> Boot:
        """Go on with the newest boot when it is this one, else begin the next.

        The same id with clearly less time than already recorded is a clock that starts over, and so a boot
        of its own: otherwise its readings would lie among the earlier ones.
        """
        row = self._db.execute("SELECT number, boot_id FROM boot ORDER BY number DESC LIMIT 1").fetchone()
        number = 0 if row is None else int(row[0])
        if row is not None and row[1] == boot_id:
            _, newest_ms = split_key(self._newest_key(number))
            if newest_ms <= now_ms + AHEAD_MOST_MS:
                return Boot(number, boot_id)
        row_key(number + 1, now_ms)
        self._db.execute(
            "INSERT INTO boot (number, boot_id, first_ms, wall_utc_ms) VALUES (?, ?, ?, ?)",
            (number + 1, boot_id, now_ms, at_ms(wall_utc_s)),
        )
        return Boot(number + 1, boot_id)

    def _newest_key(self, boot: int) -> int:
        first = row_key(boot, 0)
        row = self._db.execute("SELECT max(k) FROM tail WHERE k >= ?", (first,)).fetchone()
        return max(first + newest_sealed_ms(self._ask, boot), 0 if row[0] is None else int(row[0]))

    def _ask(self, question: str, *values: object) -> list[Any]:
        return self._db.execute(question, values).fetchall()

    def _read_newest_anchor(self) -> Anchor | None:
        row = self._db.execute(layout.ANCHORS_QUESTION + " DESC LIMIT 1").fetchone()
        return None if row is None else layout.anchor_of(row)


def _event_row(event: AlertChange) -> tuple[object, ...]:
    values = (event.alert, event.rule, event.state, event.value, event.limit, event.severity)
    return at_ms(event.at_s), *values, _as_json(_as_mapping(event))


def _as_mapping(plain: object) -> Mapping[str, object]:
    """What a piece of plain data holds, by name."""
    if isinstance(plain, Mapping):
        return plain
    if dataclasses.is_dataclass(plain) and not isinstance(plain, type):
        return dataclasses.asdict(plain)
    raise TypeError(f"the record takes dataclasses and mappings, got {type(plain).__name__}")


def _as_json(value: Mapping[str, object]) -> str:
    return json.dumps(value, separators=(",", ":"), default=_plain)


def _plain(value: object) -> object:
    """What JSON has no word for: mappings that are not dicts, and sets."""
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, set | frozenset):
        return sorted(value)
    raise TypeError(f"{type(value).__name__} can't be kept as JSON")
