"""The tasks that poll the lines: started together, and exchanged one by one when the site file changes."""

import asyncio
from collections.abc import Callable, Mapping

from attrs import frozen

from daemon.cycle import LineTask
from daemon.listening import make_line_task
from drivers.table import InstrumentMap
from shared.readings import Reading
from shared.site import Instrument, Line, Site

CANCEL_AGAIN_S = 0.5


@frozen
class LineWork:
    """All that a line's task is made from: when it is the same, the task may go on."""

    line: Line
    instruments: tuple[Instrument, ...]
    maps: tuple[InstrumentMap | None, ...]


def line_work(site: Site, maps: Mapping[str, InstrumentMap]) -> dict[str, LineWork]:
    """Tell what is to be done on each line that has instruments."""
    found: dict[str, LineWork] = {}
    for name, line in site.lines.items():
        rows = tuple(row for row in site.instruments.values() if row.line == name)
        if rows:
            found[name] = LineWork(line, rows, tuple(maps.get(row.name) for row in rows))
    return found


class LineTasks:
    """Polls every line in a task of its own; `run` ends only by cancellation or with a task that failed.

    Attributes:
        cycles: by line, those that run or are about to.
    """

    def __init__(
        self, *, clock: Callable[[], float], deliver: Callable[[Reading], None], turned: Callable[[str, float], None]
    ) -> None:
        self.cycles: dict[str, LineTask] = {}
        self._clock = clock
        self._deliver = deliver
        self._turned = turned
        self._work: dict[str, LineWork] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._changed = asyncio.Event()

    def make(self, work: LineWork) -> LineTask:
        """Make the cycle of one line; nothing is opened yet.

        Raises: ValueError: its instruments can't share a line.
        """
        maps = {row.name: found for row, found in zip(work.instruments, work.maps, strict=True) if found is not None}
        return make_line_task(
            work.line, work.instruments, maps, clock=self._clock, deliver=self._deliver, turned=self._turned
        )

    def to_change(self, wanted: Mapping[str, LineWork]) -> tuple[tuple[str, ...], dict[str, LineTask]]:
        """Tell which lines must end, and make the cycles that must begin; nothing is opened or closed yet.

        Raises: ValueError: some instruments can't share a line.
        """
        ending = tuple(name for name, work in self._work.items() if wanted.get(name) != work)
        return ending, {name: self.make(work) for name, work in wanted.items() if self._work.get(name) != work}

    async def end(self, names: tuple[str, ...]) -> None:
        """End these lines' tasks; when this returns their ports are closed. They are shown until others begin."""
        tasks = [self._tasks.pop(name) for name in names if name in self._tasks]
        for name in names:
            self._work.pop(name, None)
        while tasks:
            for task in tasks:
                task.cancel()
            # Python 3.11's wait_for, inside a library's connect, may swallow a cancellation: it is asked again.
            _, left = await asyncio.wait(tasks, timeout=CANCEL_AGAIN_S)
            tasks = list(left)

    def begin(self, cycles: Mapping[str, LineTask], wanted: Mapping[str, LineWork]) -> None:
        """Begin with these cycles, and go on with those of `wanted` that run."""
        self.cycles = {name: cycles[name] if name in cycles else self.cycles[name] for name in wanted}
        self._work.update({name: wanted[name] for name in cycles})
        for name, cycle in cycles.items():
            self._tasks[name] = asyncio.create_task(cycle.run(), name=f"line {name}")
        self._changed.set()

    async def run(self) -> None:
        """Watch over the tasks; the error of one that failed is raised here."""
        try:
            while True:
                self._changed.clear()
                change = asyncio.create_task(self._changed.wait(), name="lines changed")
                try:
                    done, _ = await asyncio.wait([change, *self._tasks.values()], return_when=asyncio.FIRST_COMPLETED)
                finally:
                    change.cancel()
                for task in done & set(self._tasks.values()):
                    task.result()  # a line's task never ends by itself: let its error end the service
        finally:
            await self.end(tuple(self._tasks))
