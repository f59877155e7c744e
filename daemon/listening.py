"""A line whose instruments talk by themselves: what they say is taken as it comes, and silence is counted.

Records that were kept back somewhere come all at once, and only the newest of them is of now: a record is
held for SETTLE_S, and one that comes within that time takes its place. What is held is stamped with the
time it came.
"""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from daemon.cycle import Counters, LineCycle, LineTask, Link, log
from daemon.trouble_log import TroubleLog
from drivers.decoders.text_lines import TextFault
from drivers.table import InstrumentMap, driver_of, make_line, make_listened
from shared.readings import Reading
from shared.site import Instrument, Line

SETTLE_S = 0.05
LISTEN_MOST_S = 2.0  # the watchdog hears of a line at least this often
SILENT_PERIODS = 1.5  # nothing for so many periods is a silence, and then each further one
SPACING_PERIODS = 0.75  # an instrument that talks more often than wanted is not taken at each word


class Ear(Link, Protocol):
    """What the listener needs of a transport."""

    async def hear(self, within_s: float) -> bytes:
        """Wait so long for bytes; raises LineDown."""


class Talker(Protocol):
    """One instrument as the listener sees it."""

    name: str
    every_s: float

    def feed(self, data: bytes, now_s: float) -> list[Reading | TextFault]:
        """Take bytes; hand back what they completed."""

    def reset(self) -> None:
        """Forget what was half heard."""


@dataclass(slots=True)
class Heard:
    """An instrument's place at its line."""

    poller: Talker
    counters: Counters
    trouble: TroubleLog
    due_s: float  # by when something is expected
    held: Reading | None = None
    taken_s: float = -1e9


class LineListener(LineTask):
    """Listens to the instruments of one line for ever."""

    turns: dict[str, Heard]

    def __init__(
        self,
        name: str,
        link: Ear,
        talkers: Sequence[Talker],
        *,
        clock: Callable[[], float],
        deliver: Callable[[Reading], None],
        turned: Callable[[str, float], None] = lambda name, now_s: None,
    ) -> None:
        super().__init__(name, link, clock=clock, deliver=deliver, turned=turned)
        self._ear = link
        start_s = clock()
        self.turns = {
            t.name: Heard(t, Counters(), TroubleLog(log, f"instrument {t.name}"), start_s + SILENT_PERIODS * t.every_s)
            for t in talkers
        }

    def _came_up(self, now_s: float) -> None:
        for turn in self.turns.values():
            turn.poller.reset()
            turn.held = None
            turn.due_s = now_s + SILENT_PERIODS * turn.poller.every_s

    async def _work_while_up(self) -> None:
        while True:
            data = await self._ear.hear(self._wait_s(self._clock()))
            now_s = self._clock()
            for turn in self.turns.values():
                if data:
                    self._feed(turn, data, now_s)
                if turn.held is not None and now_s >= turn.held.at_s + SETTLE_S:
                    self._give(turn, turn.held)
                if now_s >= turn.due_s:
                    self._silent(turn, now_s)
            self._turned(self.name, now_s)
            await asyncio.sleep(0)  # a line that never pauses must not keep the others from their turns

    def _wait_s(self, now_s: float) -> float:
        """Until the next silence, or until what is held may be given."""
        times = [turn.due_s for turn in self.turns.values()]
        times += [turn.held.at_s + SETTLE_S for turn in self.turns.values() if turn.held is not None]
        return min(LISTEN_MOST_S, max(0.0, min(times) - now_s))

    def _feed(self, turn: Heard, data: bytes, now_s: float) -> None:
        for event in turn.poller.feed(data, now_s):
            turn.due_s = now_s + SILENT_PERIODS * turn.poller.every_s
            if isinstance(event, TextFault):
                self._count_error(turn, event.why, now_s)
                turn.counters.garbled += 1
            elif turn.held is not None:
                turn.held = event
                turn.counters.dropped += 1
            elif event.at_s - turn.taken_s >= SPACING_PERIODS * turn.poller.every_s:
                turn.held = event

    def _give(self, turn: Heard, reading: Reading) -> None:
        turn.held = None
        turn.taken_s = reading.at_s
        turn.counters.asked += 1
        self._take(turn.counters, turn.trouble, reading)

    def _silent(self, turn: Heard, now_s: float) -> None:
        every_s = turn.poller.every_s
        turn.due_s = max(turn.due_s + every_s, now_s)
        turn.counters.silent += 1
        why = f"line {self.name}, {turn.poller.name}: no record within {SILENT_PERIODS * every_s:g} s: check power, "
        self._count_error(turn, f"{why}wiring, speed and the map", now_s)

    def _count_error(self, turn: Heard, why: str, now_s: float) -> None:
        turn.counters.asked += 1
        turn.counters.last_error, turn.counters.last_error_s = why, now_s
        turn.trouble.failed(now_s, why)


def make_line_task(
    line: Line,
    instruments: Sequence[Instrument],
    maps: Mapping[str, InstrumentMap],
    *,
    clock: Callable[[], float],
    deliver: Callable[[Reading], None],
    turned: Callable[[str, float], None],
) -> LineTask:
    """Make the task of one line, by who talks first on it; nothing is opened yet.

    Raises: ValueError: its instruments can't share a line.
    """
    if driver_of(line, instruments).style == "listened":
        ear, talkers = make_listened(line, instruments, maps, clock=clock)
        return LineListener(line.name, ear, talkers, clock=clock, deliver=deliver, turned=turned)
    link, pollers = make_line(line, instruments, maps, clock=clock)
    return LineCycle(line.name, link, pollers, clock=clock, deliver=deliver, turned=turned)
