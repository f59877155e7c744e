"""Looks at the site for `watch` on a thread of its own, so that keys are answered while a service is slow.

It asks the service, falls back to the last words in the record, reads the last day a bit at a time,
and carries the operator's word to the service.
"""

import os
import pwd
import queue
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import tzinfo
from pathlib import Path
from time import monotonic

from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import HalfmarkError, StoreError
from daemon.folders import Folders
from daemon.record import RecordReader
from daemon.screens.looks import Look, take_look
from daemon.screens.outlook import read_airtime, read_lookahead
from daemon.screens.past import Axis, DayRange, PastDay, days_past, zone_of
from daemon.screens.verdict import Told
from daemon.screens.view import View

ANSWER_S = 2.0  # how long the service may take
SILENT_EVERY_S = 3.0  # between two questions to a service that does not answer
COPY_EVERY_S = 15.0  # between two looks at a record that nobody writes
PAST_EVERY_S = 60.0  # between two readings of what is new in the record
SLICE_S = 0.2  # of reading at a time, between two looks
REST_S = 0.05  # between two slices, so that a small machine keeps breathing
DAYS_EVERY_S = 1800.0
WHO_MOST = 40
WORDS_MOST = 8  # acknowledgements that wait to be carried


class Looker(threading.Thread):
    """Keeps `view` new until stopped; calls `news` after each change, from its own thread."""

    def __init__(
        self,
        folders: Folders,
        *,
        store: Path | None,
        every_s: float,
        news: Callable[[], None],
        answer_s: float = ANSWER_S,
    ) -> None:
        """Take where to look.

        Args:
            folders: where socket and record are.
            store: look at this record and ask nobody.
            every_s: seconds between two questions to the service.
            news: called when `view` or `word` is another one.
            answer_s: how long the service may take, s.
        """
        super().__init__(name="looker", daemon=True)
        self._folders, self._store, self._every_s = folders, store, every_s
        self._news, self._answer_s = news, answer_s
        self._asks: queue.Queue[dict[str, object] | None] = queue.Queue(WORDS_MOST)
        self._ending = False
        self._wants_days = False
        self._got_s = 0.0  # when the last picture came from the service
        self._day = PastDay()
        self._reader: RecordReader | None = None
        self._day_due_s = self._days_due_s = 0.0
        self.view = View()
        self.word = ""  # what came of the last acknowledgement

    # -- from the thread that draws ------------------------------------------------------------

    def stop(self) -> None:
        """Tell it to end; it does so after the question it is at."""
        self._ending = True
        self._wake()

    def want_days(self) -> None:
        """Ask for the days past; reading them takes a while and is not done before somebody looks."""
        if not self._wants_days:
            self._wants_days = True
            self._wake()

    def take_on(self, alert: str, note: str) -> bool:
        """Tell the service that somebody takes an alert on; False when too much waits already."""
        try:
            self._asks.put_nowait({"ask": "ack", "alert": alert, "note": note, "who": user_name()})
        except queue.Full:
            return False
        return True

    def _wake(self) -> None:
        try:
            self._asks.put_nowait(None)
        except queue.Full:
            return  # it is awake

    # -- its own thread ------------------------------------------------------------------------

    def run(self) -> None:
        """Look until stopped."""
        due_s = monotonic()
        while not self._ending:
            if monotonic() >= due_s:
                due_s = monotonic() + self._look()
            busy = self._read_past()
            self._answer(REST_S if busy else max(0.0, min(due_s, self._next_s()) - monotonic()))
        if self._reader is not None:
            self._reader.close()

    def _answer(self, limit_s: float) -> None:
        """Wait; carry what the operator said in the meantime."""
        try:
            message = self._asks.get(timeout=limit_s) if limit_s > 0.0 else self._asks.get_nowait()
        except queue.Empty:
            return
        if message is None or self._ending:
            return
        try:
            answer = ask(self._folders.runtime / SOCKET_NAME, message, self._answer_s)
        except HalfmarkError as why:
            self._say(f"not taken on: {why}")
            return
        self._say(f"taken on: {message['alert']}" if answer.get("ok") is True else f"not taken on: {answer.get('why')}")
        self._look()

    def _say(self, word: str) -> None:
        self.word = word
        self._news()

    def _look(self) -> float:
        """Take one look; returns in how many seconds the next one is due."""
        try:
            look = take_look(self._folders, self._store, limit_s=self._answer_s)
        except HalfmarkError as why:
            self._show_trouble(str(why))
            return max(self._every_s, SILENT_EVERY_S)
        if look.told.live:
            self._got_s = monotonic()
        elif self._is_older(look):
            look = self._remembered(look.told.why, look.told.detail)
        self._show(
            replace(self.view, look=look, trouble="", ahead=read_lookahead(look.raw), airtime=read_airtime(look.raw))
        )
        if look.told.live:
            return self._every_s
        return max(self._every_s, SILENT_EVERY_S if self._store is None else COPY_EVERY_S)

    def _is_older(self, look: Look) -> bool:
        """Whether the record's last words are older than what the service told us itself."""
        mine = self.view.look
        if mine is None or self._store is not None or not self._got_s:
            return False
        same = mine.picture.get("boot_id") == look.picture.get("boot_id")
        return same and look.picture["at_s"] <= mine.picture["at_s"]

    def _remembered(self, why: str, detail: str) -> Look:
        mine = self.view.look
        assert mine is not None
        told = Told(live=False, why=why, detail=detail, utc=None, age_s=monotonic() - self._got_s)
        return replace(mine, told=told)

    def _show_trouble(self, why: str) -> None:
        look = self.view.look
        if look is not None:
            state, _, detail = why.partition(": ")
            if self._got_s:
                look = self._remembered(state, detail.partition("\n")[0])
            else:
                look = replace(look, told=replace(look.told, live=False, why=state, detail=detail))
        self._show(replace(self.view, look=look, trouble=why))

    def _show(self, view: View) -> None:
        if view != self.view:
            self.view = view
            self._news()

    # -- the record ----------------------------------------------------------------------------

    def _next_s(self) -> float:
        return min(self._day_due_s, self._days_due_s if self._wants_days else self._day_due_s)

    def _read_past(self) -> bool:
        """Read a bit of the record if that is due; returns whether more of it waits."""
        look, now_s = self.view.look, monotonic()
        if look is None:
            self._day_due_s = now_s + 1.0
            return False
        days_due = self._wants_days and now_s >= self._days_due_s
        if now_s < self._day_due_s and not days_due:
            return False
        try:
            return self._read_slice(look, days_due=days_due)
        except (StoreError, ValueError) as why:
            self._forget_reader()
            self._day_due_s = self._days_due_s = now_s + PAST_EVERY_S
            self._show(replace(self.view, past_why=str(why)))
            return False

    def _read_slice(self, look: Look, *, days_due: bool) -> bool:
        if self._reader is None:
            self._reader = RecordReader(self._folders.state if self._store is None else self._store)
            self._day.begin_anew()
        axis = Axis(self._reader, look.picture)
        if monotonic() >= self._day_due_s:
            done = self._day.read(self._reader, axis, look.picture, limit_s=SLICE_S)
            if done:
                self._day_due_s = monotonic() + PAST_EVERY_S
            day = self._day.told(axis.now, complete=done)
            if done or not self.view.day.complete:  # a day half read again would look emptier than it is
                self._show(replace(self.view, day=day, past_why=""))
            return not done
        if days_due:
            self._read_days(axis, zone_of(look.raw))
        return False

    def _read_days(self, axis: Axis, zone: tzinfo) -> None:
        """Read the days past, showing each as it comes."""
        assert self._reader is not None
        found: list[DayRange] = []
        for day in days_past(self._reader, axis, zone):
            found.append(day)
            if not self.view.days_complete:
                self._show(replace(self.view, days=tuple(found)))
            if self._ending:
                return
        self._days_due_s = monotonic() + DAYS_EVERY_S
        self._show(replace(self.view, days=tuple(found), days_complete=True, days_of=str(zone) if axis.dated else ""))

    def _forget_reader(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None


def user_name() -> str:
    """Who sits at this terminal, as the machine knows them."""
    number = os.getuid()
    try:
        return pwd.getpwuid(number).pw_name[:WHO_MOST]
    except KeyError:
        return f"uid {number}"
