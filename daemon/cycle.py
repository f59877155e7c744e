"""The polling cycle of one line: its instruments in turn, each at its own period, on elapsed time.

One task a line, so a slow line never delays another. On a line, what is due first is asked first;
an instrument that failed is asked again only in a gap that its worst case fits into, so a dead unit
never makes a healthy one late. Due times lie on a fixed grid from the start: nothing drifts.
`LineTask` is what it shares with a line that is only listened to (`daemon.listening`).
"""

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from daemon.trouble_log import TroubleLog
from drivers.errors import DriverError, Garbled, LineDown, Refused, Silent
from shared.readings import Reading

log = logging.getLogger("halfmark.cycle")

RECONNECT_LEAST_S = 0.25
RECONNECT_MOST_S = 3.0  # a plug put back is seen within this, so that one second is left for a record and its check
RETRY_MOST_S = 10.0  # a silent instrument is asked at least this often, or at its own period
STARVED_S = 120.0  # and is given a turn after this long even if no gap fits it
GAP_MARGIN_S = 0.02
NAP_LEAST_S = 0.005
NAP_MOST_S = 5.0  # the watchdog hears of a line at least this often


class Link(Protocol):
    """What the cycle needs of a transport."""

    is_up: bool

    async def connect(self) -> None:
        """Open the port; raises LineDown."""

    async def close(self) -> None:
        """Give the port back."""


class Poller(Protocol):
    """One instrument as the cycle sees it."""

    name: str
    every_s: float
    worst_cost_s: float

    async def poll(self, clock: Callable[[], float]) -> Reading:
        """Ask the instrument once; raises a DriverError."""


@dataclass(slots=True)
class Counters:
    """What became of an instrument's turns since the service started."""

    asked: int = 0
    answered: int = 0
    refused: int = 0
    silent: int = 0
    garbled: int = 0
    suspect: int = 0
    late: int = 0
    dropped: int = 0  # old records out of a burst; the newest one of it counted
    last_error: str | None = None
    last_error_s: float | None = None
    last_answer_s: float | None = None


class Paced(Protocol):
    """What every instrument tells of itself, asked or listened to."""

    @property
    def name(self) -> str:
        """As in the site file."""

    @property
    def every_s(self) -> float:
        """How often a reading is wanted, s."""


class Place(Protocol):
    """An instrument's place at its line."""

    @property
    def poller(self) -> Paced:
        """The instrument."""

    @property
    def counters(self) -> Counters:
        """What became of its turns."""


@dataclass(slots=True)
class Turn:
    """An instrument's place in the cycle."""

    poller: Poller
    counters: Counters
    trouble: TroubleLog
    due_s: float
    failures: int = 0
    wanted_since_s: float | None = None  # a failed instrument that waits for a gap

    def next_due_s(self, now_s: float) -> float:
        """The next point of the grid after now; the grid points passed over are counted as late."""
        every_s = self.poller.every_s
        passed = max(0, int((now_s - self.due_s) // every_s))
        if self.failures == 0:
            self.counters.late += passed
        return self.due_s + (passed + 1) * every_s


class LineTask:
    """A line that is kept open for ever; what is done with it while it is up is the subclass's.

    Attributes:
        name, link: the line.
        turns: its instruments by name, each with its counters.
        down_since_s, down_why: since when and why it is down; None while it is up.
    """

    turns: Mapping[str, Place]

    def __init__(
        self,
        name: str,
        link: Link,
        *,
        clock: Callable[[], float],
        deliver: Callable[[Reading], None],
        turned: Callable[[str, float], None],
    ) -> None:
        self.name = name
        self.link = link
        self.down_since_s: float | None = None
        self.down_why: str | None = None
        self._clock = clock
        self._deliver = deliver
        self._turned = turned
        self._line_trouble = TroubleLog(log, f"line {name}")
        self._delay_s = 0.0
        self._up_s = clock()

    async def run(self) -> None:
        """Connect, work, reconnect; ends only by cancellation."""
        try:
            while True:
                await self._connect()
                try:
                    await self._work_while_up()
                except LineDown as why:
                    self._went_down(why)
        finally:
            await self.link.close()

    async def _work_while_up(self) -> None:
        """Take readings until the line is lost; raises LineDown."""
        raise NotImplementedError

    def _came_up(self, now_s: float) -> None:
        """The line is open, for the first time or again."""

    async def _connect(self) -> None:
        while True:
            await asyncio.sleep(self._delay_s)
            try:
                await self.link.connect()
            except LineDown as why:
                self._went_down(why)
                self._turned(self.name, self._clock())
                continue
            self._up_s = self._clock()
            self.down_since_s = self.down_why = None
            self._came_up(self._up_s)
            return

    def _went_down(self, why: LineDown) -> None:
        """Try again at once after a time of good work, else later and later: a port may open and be lost at once."""
        now_s = self._clock()
        worked = self.down_since_s is None and now_s - self._up_s >= RECONNECT_MOST_S
        self._delay_s = 0.0 if worked else min(RECONNECT_MOST_S, max(RECONNECT_LEAST_S, 2.0 * self._delay_s))
        if self.down_since_s is None:
            self.down_since_s = now_s
        self.down_why = str(why)
        self._line_trouble.failed(now_s, f"{why.port}: {why.why}")

    def _take(self, counters: Counters, trouble: TroubleLog, reading: Reading) -> None:
        """Count a reading and hand it on."""
        now_s = self._clock()
        counters.answered += 1
        counters.suspect += bool(reading.suspect)
        counters.last_answer_s = reading.at_s
        trouble.recovered(now_s)
        self._line_trouble.recovered(now_s)
        self._deliver(reading)


class LineCycle(LineTask):
    """Polls the instruments of one line for ever."""

    turns: dict[str, Turn]

    def __init__(
        self,
        name: str,
        link: Link,
        pollers: Sequence[Poller],
        *,
        clock: Callable[[], float],
        deliver: Callable[[Reading], None],
        turned: Callable[[str, float], None] = lambda name, now_s: None,
    ) -> None:
        super().__init__(name, link, clock=clock, deliver=deliver, turned=turned)
        start_s = clock()
        self.turns = {
            p.name: Turn(p, Counters(), TroubleLog(log, f"instrument {p.name}"), due_s=start_s) for p in pollers
        }

    def _came_up(self, now_s: float) -> None:
        for turn in self.turns.values():  # what was missed while the line was down is not made up for
            if turn.due_s < now_s:
                turn.due_s = now_s

    async def _work_while_up(self) -> None:
        while True:
            now_s = self._clock()
            turn = self._choose(now_s)
            if turn is None:
                self._turned(self.name, now_s)
                await asyncio.sleep(self._nap_s(now_s))
                continue
            await self._take_turn(turn)
            self._turned(self.name, self._clock())

    def _choose(self, now_s: float) -> Turn | None:
        """The healthy instrument that is due longest; else a failed one that fits into the gap."""
        healthy = [t for t in self.turns.values() if t.failures == 0]
        due = [t for t in healthy if t.due_s <= now_s]
        failed = [t for t in self.turns.values() if t.failures and t.due_s <= now_s]
        for turn in failed:
            if turn.wanted_since_s is None:
                turn.wanted_since_s = now_s
        starved = [t for t in failed if t.wanted_since_s is not None and now_s - t.wanted_since_s >= STARVED_S]
        if starved:
            return min(starved, key=lambda t: t.due_s)
        if due:
            return min(due, key=lambda t: t.due_s)
        next_due_s = min((t.due_s for t in healthy), default=float("inf"))
        fits = [t for t in failed if now_s + t.poller.worst_cost_s + GAP_MARGIN_S <= next_due_s]
        return min(fits, key=lambda t: t.due_s) if fits else None

    def _nap_s(self, now_s: float) -> float:
        """Until something is due; a failed instrument that waits for a gap gets it after the next turn."""
        coming = [t.due_s for t in self.turns.values() if t.due_s > now_s]
        return min(NAP_MOST_S, max(NAP_LEAST_S, min(coming) - now_s)) if coming else GAP_MARGIN_S

    async def _take_turn(self, turn: Turn) -> None:
        turn.counters.asked += 1
        turn.wanted_since_s = None
        try:
            reading = await turn.poller.poll(self._clock)
        except LineDown:
            turn.due_s = turn.next_due_s(self._clock())
            raise
        except DriverError as why:
            self._failed(turn, why)
            return
        turn.failures = 0
        turn.due_s = turn.next_due_s(self._clock())
        self._take(turn.counters, turn.trouble, reading)

    def _failed(self, turn: Turn, why: DriverError) -> None:
        counters, now_s = turn.counters, self._clock()
        counters.silent += isinstance(why, Silent)
        counters.refused += isinstance(why, Refused)
        counters.garbled += isinstance(why, Garbled)
        counters.last_error, counters.last_error_s = str(why), now_s
        turn.trouble.failed(now_s, str(why))
        turn.failures += 1
        every_s = turn.poller.every_s
        # Whole periods, so that an instrument that recovers is back on its own grid.
        wait_s = min(max(RETRY_MOST_S, every_s), every_s * 2.0 ** min(turn.failures - 1, 10))
        turn.due_s += every_s * max(1.0, -(-(now_s + wait_s - every_s - turn.due_s) // every_s))
