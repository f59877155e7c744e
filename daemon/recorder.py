"""Keeps the record from the service's side: gathers what came in, commits it on one writer thread.

What could not be stored stays here and goes into the next commit, up to a named limit; a record
that can't be opened is tried again for ever, and polling, estimate and alerts go on meanwhile. So do
notices: as long as a commit is refused, or takes too long, they lie in a file for `send` as well.
"""

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from daemon.errors import StoreBusy, StoreError
from daemon.record import Anchor, Batch, Damage, Day, Entry, Record, Room, Run
from daemon.trouble_log import TroubleLog
from daemon.waiting_file import EVENTS_MOST, NOTICES_MOST, Waiting, WaitingFile, bounded, part_of
from shared.alerts import AlertEvent
from shared.notices import Notice
from shared.readings import Reading

log = logging.getLogger("halfmark.record")

PENDING_READINGS_MOST = 20_000  # about four hours of a shunt at 1 s and a controller at 10 s
ENTRIES_MOST = 1000  # of people, waiting for a record that can't be written
REOPEN_EVERY_S = 30.0
SLOW_COMMIT_S = 5.0  # a card that is about to fail may let one wait for minutes; its notices don't
SET_ASIDE_TOLD_S = 86_400.0
ROWS_AT_ONCE = 8  # damaged ones, moved in one transaction
DAMAGE_LOGGED_MOST = 5  # of one look


class Recorder:
    """The service's way to the record.

    Everything but the commit itself happens on the event loop; the record is touched by the one
    thread of `_writer` only.
    """

    def __init__(
        self,
        open_record: Callable[[], Record],
        *,
        clock: Callable[[], float],
        commit_s: float,
        queued: Callable[[], object] = lambda: None,
        waiting: WaitingFile | None = None,
        laid_out: Callable[[], object] = lambda: None,
    ) -> None:
        """Take the parts; nothing is opened yet.

        Args:
            open_record: opens the record, on the writer's thread.
            clock: seconds since boot.
            commit_s: the period of the commits.
            queued: called when notices have got into the record.
            waiting: where notices are laid out while the record refuses them; None for nowhere.
            laid_out: called when they have been.
        """
        self.commits = 0
        self.readings = 0
        self.dropped = 0
        self.last_commit_s: float | None = None
        self.failing_since_s: float | None = None
        self.why: str | None = None
        self.room: Room | None = None
        self.damaged_rows = 0  # found so far and still there
        self._aside_by_itself = self._aside_count = 0
        self._aside_s = -SET_ASIDE_TOLD_S
        self._open_record = open_record
        self._clock = clock
        self._commit_s = commit_s
        self._queued = queued
        self._waiting = waiting
        self._laid_out = laid_out
        self._is_to_lay_out = False  # something has come in since notices were laid out
        self._may_be_stored = False  # what was taken up may be in the record, as far as nobody has looked
        self._writer = ThreadPoolExecutor(max_workers=1, thread_name_prefix="record")
        self._record: Record | None = None
        self._opened_s = -REOPEN_EVERY_S
        self._pending = Batch()
        self._wanted = asyncio.Event()
        self._waiters: list[asyncio.Future[bool]] = []
        self._trouble = TroubleLog(log, "record")
        self._sealing_trouble = TroubleLog(log, "sealing the record")
        self._log_trouble = TroubleLog(log, "the record's log")
        self._waiting_trouble = TroubleLog(log, "notices that wait for the record")

    # -- what is to be kept --------------------------------------------------------------------

    def add_reading(self, reading: Reading) -> None:
        """Take a reading for the next commit; with the record failing for hours the oldest go."""
        self._pending.readings.append(reading)
        self._drop_oldest()

    def _drop_oldest(self) -> None:
        extra = len(self._pending.readings) - PENDING_READINGS_MOST
        if extra > 0:
            del self._pending.readings[:extra]
            self.dropped += extra

    def add_event(self, event: AlertEvent, notice: Notice | None) -> None:
        """Take a change of an alert and its notice; they are committed at once."""
        self._pending.events.append(event)
        if notice is not None:
            self._pending.notices.append(notice)
        self._told()

    def add_notice(self, notice: Notice) -> None:
        """Take a notice that no alert asked for; it is committed at once."""
        self._pending.notices.append(notice)
        self._told()

    def _told(self) -> None:
        self._drop_told()
        self._is_to_lay_out = True
        self.commit_soon()

    def _drop_told(self) -> None:
        """Keep notices and events that wait within their limits; `send` has had most of what goes here."""
        for notice in bounded(self._pending.notices):
            log.warning("notice %s is not recorded: %d others wait", part_of(notice, "key"), NOTICES_MOST)
        del self._pending.events[:-EVENTS_MOST]

    def take_up(self, waiting: Waiting) -> None:
        """Take what an earlier service could not store, as the oldest; what the record has by now is left out."""
        batch = Batch(notices=list(waiting.notices), events=list(waiting.events))
        self._may_be_stored = True
        self._keep(batch)
        self._told()

    def add_anchor(self, anchor: Anchor) -> None:
        """Take a trusted pair of elapsed and wall time."""
        self._pending.anchors.append(anchor)

    def add_run(self, run: Run) -> None:
        """Take the start of this run."""
        self._pending.runs.append(run)

    def add_days(self, days: Sequence[Day], gone: Sequence[str]) -> None:
        """Take rows of the daybook, and the names of those that go."""
        self._pending.days.extend(days)
        self._pending.days_gone.extend(gone)

    def add_entry(self, entry: Entry) -> bool:
        """Take what a person wrote; False when too much of it waits already, and this was not taken."""
        if not self.takes_entries:
            return False
        self._pending.entries.append(entry)
        return True

    @property
    def takes_entries(self) -> bool:
        """Whether one more entry of a person can wait for its commit."""
        return len(self._pending.entries) < ENTRIES_MOST

    def set_state(self, name: str, value: Mapping[str, object]) -> None:
        """Replace a named state; the newest before the commit counts."""
        self._pending.state[name] = dict(value)

    def commit_soon(self) -> None:
        """Ask for a commit before its period is over."""
        self._wanted.set()

    async def stored(self) -> bool:
        """Have everything taken so far committed at once; False when it could not be, and waits for a later commit."""
        waiter: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._waiters.append(waiter)
        self.commit_soon()
        return await waiter

    def commit_each(self, commit_s: float) -> None:
        """Change the period of the commits; it counts from the next one on."""
        self._commit_s = commit_s

    # -- committing ----------------------------------------------------------------------------

    async def open(self) -> None:
        """Open the record; StoreBusy is the caller's to handle, any other trouble is retried later."""
        self._opened_s = self._clock()
        loop = asyncio.get_running_loop()
        try:
            self._record = await loop.run_in_executor(self._writer, self._open_record)
            self.damaged_rows, self._aside_by_itself = self._record.patrol.count, 0
        except StoreBusy:
            raise
        except StoreError as why:
            self._failed(str(why))

    async def run(self, attempted: Callable[[float], None], before: Callable[[float], None]) -> None:
        """Commit each period, and sooner when asked; ends only by cancellation.

        Args:
            attempted: told the time after each attempt, stored or refused for a known reason.
            before: called before each commit, to add what goes along with it.
        """
        due_s = self._clock() + self._commit_s
        while True:
            try:
                async with asyncio.timeout(max(0.0, due_s - self._clock())):
                    await self._wanted.wait()
            except TimeoutError:
                due_s += self._commit_s * (1 + max(0, int((self._clock() - due_s) // self._commit_s)))
            self._wanted.clear()
            before(self._clock())
            await self.commit()
            attempted(self._clock())
            await self._tend(due_s)

    async def commit(self) -> bool:
        """Store everything pending in one transaction; on failure keep it for the next one."""
        waiters, self._waiters = self._waiters, []
        done = False
        try:
            done = await self._commit()
        finally:
            for waiter in waiters:
                if not waiter.done():
                    waiter.set_result(done)
        return done

    async def _commit(self) -> bool:
        if self.failing_since_s is not None:
            self._lay_out(self._pending)  # before another try, which may take long
        done = await self._store_pending()
        if not done:
            self._lay_out(self._pending)
        return done

    def _lay_out(self, *batches: Batch) -> None:
        """Put the notices of these batches where `send` reads them without the record, if there is anything new."""
        told = any(batch.notices or batch.events for batch in batches)
        if self._waiting is None or not self._is_to_lay_out or not told:
            return
        try:
            self._waiting.put(batches, self._clock())
        except (OSError, StoreError) as why:
            self._waiting_trouble.failed(self._clock(), f"{self._waiting.path} can't be written: {why}")
            return
        self._waiting_trouble.recovered(self._clock())
        self._is_to_lay_out = False
        self._laid_out()

    async def _store_pending(self) -> bool:
        if self._record is None:
            if self._clock() - self._opened_s < REOPEN_EVERY_S:
                return False
            await self._reopen()
            if self._record is None:
                return False
        batch, self._pending = self._pending, Batch()
        batch.until_s = self._clock()
        work = asyncio.get_running_loop().run_in_executor(self._writer, self._put, self._record, batch)
        try:
            while not work.done():
                await asyncio.wait((work,), timeout=SLOW_COMMIT_S)
                if not work.done():
                    self._lay_out(batch, self._pending)
            await work
        except asyncio.CancelledError:
            work.cancel()
            raise
        except StoreError as why:
            self._keep(batch)
            self._failed(str(why))
            return False
        self._stored(batch)
        return True

    def _put(self, record: Record, batch: Batch) -> None:
        """Store a batch, on the writer's thread."""
        record.commit(record.without_doubles(batch) if self._may_be_stored else batch)

    async def _tend(self, until_s: float) -> None:
        """Let the record seal and keep within its room, a short piece at a time, until a commit is due or wanted."""
        loop = asyncio.get_running_loop()
        while self._record is not None and not self._wanted.is_set():
            try:
                more = await loop.run_in_executor(self._writer, self._record.tend, self._clock())
            except StoreError as why:
                self._sealing_trouble.failed(self._clock(), str(why))
                return
            self._sealing_trouble.recovered(self._clock())
            self._look_for_damage(self._record)
            if self.room is not self._record.room:
                self.room = self._record.room
                holders = await loop.run_in_executor(self._writer, self._record.log_holders)
                self._look_at_log(holders)
            if not more or self._clock() >= until_s:
                return

    def _look_for_damage(self, record: Record) -> None:
        """Tell of what has been found damaged or was set aside since the last look; called between two pieces."""
        for damage in record.newly_damaged[:DAMAGE_LOGGED_MOST]:
            log.warning("row %d of %s is damaged and left out: see halfmark verify", damage.key, damage.table)
        record.newly_damaged.clear()
        if record.sealed.damaged > self._aside_by_itself:
            count = record.sealed.damaged - self._aside_by_itself
            log.warning("%d damaged rows were in the way of sealing and are set aside: see halfmark verify", count)
            self._aside_by_itself, self._aside_s = record.sealed.damaged, self._clock()
            self._aside_count = count
        self.damaged_rows = record.patrol.count

    async def set_aside_damaged(self, places: Sequence[tuple[str, int]]) -> list[Damage]:
        """Have damaged rows moved away by the writer, some at a time, so that a commit can come in between.

        Args:
            places: table and key of each.
        Returns: what was moved; what is whole stays.
        Raises: StoreError: the record can't be written; what was moved before that stays so.
        """
        loop = asyncio.get_running_loop()
        moved: list[Damage] = []
        for begin in range(0, len(places), ROWS_AT_ONCE):
            if self._record is None:
                raise StoreError(f"the record is not open: {self.why or 'ask again'}")
            some = places[begin : begin + ROWS_AT_ONCE]
            moved += await loop.run_in_executor(self._writer, self._record.set_aside_damaged, some)
        if self._record is not None:
            self.damaged_rows = self._record.patrol.count
        return moved

    def damaged(self, now_s: float) -> float | None:
        """How many damaged pieces are in the record, and for a day those that were in the way; None with none open."""
        if self._record is None:
            return None
        lately = now_s - self._aside_s < SET_ASIDE_TOLD_S
        return float(self.damaged_rows + (self._aside_count if lately else 0))

    def _look_at_log(self, holders: list[str]) -> None:
        if holders and self.room is not None:
            grown = f"has grown to {self.room.log_bytes / 1e6:.0f} MB, kept from shrinking by {', '.join(holders)}"
            self._log_trouble.failed(self._clock(), grown)
        else:
            self._log_trouble.recovered(self._clock())

    def record_failing_s(self, now_s: float) -> float:
        """For how long nothing could be stored, s; 0 when all is well."""
        return 0.0 if self.failing_since_s is None else max(0.0, now_s - self.failing_since_s)

    def keeps(self, folder: Path) -> bool:
        """Whether the open record lies in a folder, whatever name that goes by."""
        try:
            return self._record is not None and self._record.file.parent.samefile(folder)
        except OSError:
            return False

    @property
    def set_aside(self) -> Path | None:
        """Where a damaged record was moved to when this one was opened, or None."""
        return None if self._record is None else self._record.set_aside

    def records_set_aside(self, now_s: float) -> float:
        """1 for a day after a damaged record was set aside, else 0."""
        return float(self.set_aside is not None and now_s - self._opened_s < SET_ASIDE_TOLD_S)

    @property
    def record_used_share(self) -> float | None:
        """How much of its budget the record uses, 0 to 1; None before the first look."""
        return None if self.room is None else self.room.used_share

    @property
    def disk_free_mb(self) -> float | None:
        """What this user may still use of the record's disk, MB; None before the first look."""
        return None if self.room is None else self.room.disk_free_bytes / 1e6

    async def _reopen(self) -> None:
        try:
            await self.open()
        except StoreBusy as why:
            self._failed(str(why))

    def _keep(self, batch: Batch) -> None:
        """Put a batch that was not stored before what has come in since."""
        newer, self._pending = self._pending, batch
        batch.absorb(newer)
        self._drop_oldest()
        self._drop_told()

    def _failed(self, why: str) -> None:
        now_s = self._clock()
        self._trouble.failed(now_s, why)
        self.failing_since_s = self._trouble.since_s
        self.why = why

    def _stored(self, batch: Batch) -> None:
        now_s = self._clock()
        self._trouble.recovered(now_s)
        self.failing_since_s = self.why = None
        self._may_be_stored = False
        if self._waiting is not None:
            self._waiting.drop()
            self._is_to_lay_out = True  # what has come in during the commit, should the next one be refused
        self.last_commit_s = now_s
        self.commits += 1
        self.readings += len(batch.readings)
        if batch.notices:
            self._queued()

    async def close(self) -> None:
        """Commit what is left and close the record; one that could not be opened is tried once more for it."""
        self._opened_s = self._clock() - REOPEN_EVERY_S
        if not await self.commit() and self._pending:
            log.warning("%d readings could not be stored and are lost: %s", len(self._pending.readings), self.why)
        if self._record is not None:
            await asyncio.get_running_loop().run_in_executor(self._writer, self._record.close)
            self._record = None
        self._writer.shutdown()
