"""Copies the record to the group's central store: what is new, in order, until it is there.

No clock and no thread of its own: `turn` does all that can be done now. What fails is tried again
after a time that doubles up to a cap; a server that asks for time gets it. Sending the same points again
changes nothing there, so the position moves only when the server has taken them.
"""

import logging
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import UTC
from typing import Protocol

from daemon.damage_words import RAW, WAY_OUT, stretch_words, stretches
from daemon.errors import ConfigError, StoreError
from daemon.record import Damage, RecordReader
from daemon.sending.central_feed import BATCH_LINES, CentralFeed, Waiting
from daemon.sending.central_link import CentralDown, CentralRefused
from daemon.sending.central_memory import Batch, CentralMemory
from daemon.trouble_log import TroubleLog
from shared.notices import plain

log = logging.getLogger("halfmark.send")

RETRY_LEAST_S, RETRY_MOST_S = 5.0, 300.0  # nobody answers, or the server has trouble of its own
SLOW_LEAST_S, SLOW_MOST_S = 60.0, 600.0  # a person has to correct something: token, bucket, address
POST_LINES_LEAST = 50  # a post that is too long for a slow link is not made shorter than this
ASIDE_MOST = 20  # lines of one batch set aside; more means that something else is wrong
DAMAGE_MOST = 500  # rows of which it is remembered that they were told
STANDING_EVERY_S = 300.0  # how often the site's standing is told while nothing in it changes
TOO_LARGE = 413
LINE_REFUSED = (400, 422)
PASSING = (408, 425, 429)  # refusals that pass by themselves


class Link(Protocol):
    """`central_link.CentralLink`, or a test's."""

    token: str

    def post(self, lines: Sequence[str]) -> None:
        """Send lines and wait for the answer; raises CentralRefused, CentralDown."""

    def close(self) -> None:
        """Hang up."""


class _Failed(Exception):
    """A batch could not be sent now; `slow` when a person has to correct something first."""

    def __init__(self, why: str, *, slow: bool = False, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.slow = slow
        self.wait_s = wait_s


class CentralCopy:
    """The whole of the copy but its clock and its thread."""

    def __init__(
        self,
        feed: CentralFeed,
        memory: CentralMemory,
        open_link: Callable[[str], Link],
        token: Callable[[], str],
        open_record: Callable[[], AbstractContextManager[RecordReader]],
        *,
        every_s: float,
        clock: Callable[[], float],
        stopped: Callable[[], bool] = lambda: False,
    ) -> None:
        """Take the parts; nothing is opened before the first turn.

        Args:
            feed, memory: what is to be sent, and how far it has been.
            open_link: connects with a token.
            token: gives the token, asked at each turn so that a corrected one needs no restart; raises ConfigError.
            open_record: opens the record for reading; raises StoreError or OSError while it can't.
            every_s: how often what is new is looked for, s.
            clock: seconds since boot.
            stopped: tells that the process is to end; asked between two posts.
        """
        self._feed, self._memory = feed, memory
        self._open_link, self._token, self._open_record = open_link, token, open_record
        self._every_s, self._clock, self._stopped = every_s, clock, stopped
        self._link: Link | None = None
        self._post_lines = BATCH_LINES
        self._post_lines_most = BATCH_LINES  # what the server bears, once it has said so
        self._delay_s = 0.0
        self._next_try_s = 0.0
        self._failing_since_s: float | None = None
        self._last_error: str | None = None
        self._last_sent_utc_s: float | None = None
        self._told_standing: tuple[object, ...] = ()
        self._told_standing_s = float("-inf")
        self._trouble = TroubleLog(log, "central")
        self._damage_told: set[tuple[str, int]] = set()
        self._began_ms: dict[int, float] = {}  # up to where each boot was copied when this process began
        self._memory_trouble = TroubleLog(log, "central: position")
        self._waiting = Waiting()
        self._may_have_arrived = False  # any of the lines delivered last

    @property
    def waits(self) -> bool:
        """Whether anything was left to send at the last turn."""
        return self._waiting.commits > 0 or self._failing_since_s is not None

    def turn(self) -> float:
        """Send all that can be sent now.

        Returns: seconds since boot at which to come again.
        """
        now_s = self._clock()
        if now_s < self._next_try_s:
            return self._next_try_s
        try:
            if not self._memory.open():
                raise _Failed(f"can't tell how far the copy has come: {self._memory.why}")
            with self._open_record() as reader:
                try:
                    self._copy(reader)
                finally:
                    self._tell_damage(reader)
        except (StoreError, OSError) as why:
            self._fail(_Failed(f"can't read the record: {why}"))
        except (ConfigError, ImportError) as why:
            self._fail(_Failed(str(why), slow=True))
        except _Failed as why:
            self._fail(why)
        return self._next_try_s

    def close(self) -> None:
        """Hang up and write what can be written."""
        if self._link is not None:
            self._link.close()
        self._memory.close()

    # -- one turn ------------------------------------------------------------------------------

    def _copy(self, reader: RecordReader) -> None:
        self._began_ms = self._began_ms or self._feed.copied_ms(reader)
        self._waiting = self._feed.waiting(reader)
        if self._memory.unsure is not None:
            self._send(self._memory.unsure)
        for batch in self._feed.batches(reader):
            if self._stopped():
                return
            self._send(batch)
        self._waiting.commits = self._waiting.unplaced_commits
        self._tell_standing(reader)
        self._works()

    def _send(self, batch: Batch) -> None:
        """Send one batch and move its position on."""
        if batch.redated:
            self._memory.put(batch.position)
            self._save()  # so that after a crash the same points get the same times again
        try:
            aside = self._deliver(batch.lines) if batch.lines else []
        except _Failed:
            if self._may_have_arrived:
                self._memory.keep(batch)
            raise
        if self._stopped():  # another may have taken over: it sends this batch again, which changes nothing
            return
        position = batch.position
        position.ms, position.event_id, position.newest = batch.ms, batch.event_id, batch.newest
        self._feed.settle(position)
        self._memory.keep(None)
        self._memory.put(position, aside)
        for line, why in aside:
            log.warning("central: set aside for good, the server refuses it (%s): %s", why, plain(line, 200))
        if batch.newest_ms is not None:
            self._last_sent_utc_s = batch.newest_ms / 1000.0
        self._waiting.commits = max(1, self._waiting.commits - batch.commits)  # none only when there is no batch left
        self._delay_s = 0.0
        self._save(self._state())

    def _deliver(self, lines: Sequence[str]) -> list[tuple[str, str]]:
        """Post lines in pieces; give those that the server refuses, with its reason.

        Raises: _Failed: not everything else was taken; all of it is to be sent again.
        """
        self._may_have_arrived = False
        waiting = deque(_pieces(lines, self._post_lines))
        aside: list[tuple[str, str]] = []
        while waiting:
            piece = waiting.popleft()
            why = self._post(piece)
            if why is None:
                continue
            if len(piece) == 1:
                aside.append((piece[0], str(why)))
                if len(aside) > ASIDE_MOST or len(aside) == len(lines):
                    raise _Failed(f"refuses line after line, nothing is set aside: {why}", slow=True)
                continue
            middle = len(piece) // 2
            waiting.extendleft((piece[middle:], piece[:middle]))
        return aside

    def _post(self, lines: Sequence[str]) -> CentralRefused | None:
        """Post one piece; give the refusal if it is about the lines themselves."""
        link = self._connected()
        try:
            link.post(lines)
        except CentralRefused as why:
            self._may_have_arrived = self._may_have_arrived or why.status >= 500  # in part, or behind a proxy
            if why.status == TOO_LARGE:
                self._post_lines = self._post_lines_most = max(1, len(lines) // 2)
                return why
            if why.status in LINE_REFUSED:
                return why
            raise _Failed(_words(why), slow=_is_for_a_person(why.status), wait_s=why.wait_s or 0.0) from None
        except CentralDown as why:
            self._may_have_arrived = self._may_have_arrived or why.reached
            if why.hung:  # perhaps the link is too slow for so much at once
                self._post_lines = max(POST_LINES_LEAST, min(len(lines), self._post_lines) // 2)
            raise _Failed(str(why)) from None
        self._may_have_arrived = True
        self._post_lines = min(self._post_lines_most, 2 * self._post_lines)
        return None

    def _connected(self) -> Link:
        token = self._token()
        if self._link is not None and self._link.token != token:
            self._link.close()
            self._link = None
        if self._link is None:
            self._link = self._open_link(token)
        return self._link

    def _tell_damage(self, reader: RecordReader) -> None:
        """Log once what the copy goes past because it is damaged; it goes on behind it and never comes back."""
        if len(self._damage_told) >= DAMAGE_MOST:
            return
        met = [one for one in reader.damage_met() if (one.table, one.key) not in self._damage_told]
        for one in stretches(met):
            words = stretch_words(one, reader, UTC)
            log.warning("central: left out, damaged: %s (%s); %s", words, one.rows[0], WAY_OUT)
        aside = [one for one in self._asides_ahead(reader) if (one.table, one.key) not in self._damage_told]
        for one in stretches(aside):
            log.warning("central: left out, set aside as damaged: %s", stretch_words(one, reader, UTC))
        self._damage_told.update((one.table, one.key) for one in (*met, *aside))

    def _asides_ahead(self, reader: RecordReader) -> list[Damage]:
        """What was set aside of the readings that this process has copied or is to copy."""
        if not self._began_ms:
            return []
        rows = [one for one in reader.set_aside() if one.what in RAW]
        return [one for one in rows if one.end_s * 1000.0 > self._began_ms.get(one.boot, -1.0)]

    def _tell_standing(self, reader: RecordReader) -> None:
        """Tell how the site stands when that has changed, and from time to time."""
        lines = self._feed.standing(reader)
        now_s = self._clock()
        told = tuple(line.rsplit(" ", 2)[0] for line in lines)  # which alerts stand; numbers alone are no news
        is_due = now_s - self._told_standing_s >= max(STANDING_EVERY_S, self._every_s) or told != self._told_standing
        if lines and is_due:
            self._deliver(lines)
            self._told_standing, self._told_standing_s = told, now_s

    # -- how it goes ---------------------------------------------------------------------------

    def _works(self) -> None:
        self._failing_since_s = self._last_error = None
        self._delay_s = 0.0
        now_s = self._clock()
        self._next_try_s = now_s + self._every_s
        self._trouble.recovered(now_s)
        self._save(self._state())

    def _fail(self, why: _Failed) -> None:
        now_s = self._clock()
        least_s, most_s = (SLOW_LEAST_S, SLOW_MOST_S) if why.slow else (RETRY_LEAST_S, RETRY_MOST_S)
        self._delay_s = min(most_s, max(least_s, 2.0 * self._delay_s))
        self._next_try_s = now_s + max(self._delay_s, why.wait_s)
        self._failing_since_s = now_s if self._failing_since_s is None else self._failing_since_s
        self._last_error = plain(str(why), 300)
        self._trouble.failed(now_s, self._last_error)
        self._save(self._state())

    def _state(self) -> Mapping[str, object]:
        """What a screen is told; see `receipts.sending_state`."""
        return {
            "waiting_commits": self._waiting.commits,
            "unplaced_boots": self._waiting.unplaced_boots,
            "last_sent_utc_s": self._last_sent_utc_s,
            "failing_since_s": self._failing_since_s,
            "last_error": self._last_error,
            "next_try_s": self._next_try_s if self._failing_since_s is not None else None,
        }

    def _save(self, state: Mapping[str, object] | None = None) -> None:
        now_s = self._clock()
        if self._memory.save(state):
            self._memory_trouble.recovered(now_s)
        else:
            self._memory_trouble.failed(now_s, f"{self._memory.why}; kept in memory")


def _pieces(lines: Sequence[str], most: int) -> list[Sequence[str]]:
    return [lines[start : start + most] for start in range(0, len(lines), most)]


def _is_for_a_person(status: int) -> bool:
    """Whether waiting alone changes nothing: a redirect, a wrong token, no such bucket."""
    return status < 500 and status not in PASSING


def _words(why: CentralRefused) -> str:
    if why.status in (401, 403):
        return f"the token is refused, or may not write into this bucket: {why}"
    if why.status == 404:
        return f"there is no such address, organisation or bucket: {why}"
    return str(why)
