"""The progress of long jobs: a bar on a terminal, a few plain lines elsewhere."""

import sys
from types import TracebackType
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress as Bars

PLAIN_STEPS = 4  # lines printed where nothing can be redrawn


class Progress:
    """Shows how far a job is; used as a context manager. rich is loaded only where there is a terminal."""

    def __init__(self, name: str, total: int, out: TextIO | None = None) -> None:
        self._name = name
        self._total = max(1, total)
        self._out = out or sys.stderr
        self._said = 0
        self._bars: Bars | None = None

    def __enter__(self) -> "Progress":
        if self._out.isatty():
            self._bars = _bars(self._out)
            self._bars.start()
            self._bars.add_task(self._name, total=self._total)
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        if self._bars is not None:
            self._bars.stop()

    def at(self, done: int) -> None:
        """Tell that `done` of the total are done."""
        if self._bars is not None:
            self._bars.update(self._bars.task_ids[0], completed=done)
            return
        part = done * PLAIN_STEPS // self._total
        if part > self._said:
            self._said = part
            self._out.write(f"{self._name}: {100 * done // self._total} %\n")
            self._out.flush()


def _bars(out: TextIO) -> "Bars":
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    return Bars(*columns, console=Console(file=out))
