"""A progress line for long jobs: redrawn on a terminal, a few plain lines elsewhere."""

import sys
import time
from types import TracebackType
from typing import TextIO

BAR_WIDTH = 40
REDRAW_EVERY_S = 0.1
PLAIN_STEPS = 4  # lines printed where nothing can be redrawn


class Progress:
    """Shows how far a job is; used as a context manager."""

    def __init__(self, name: str, total: int, out: TextIO | None = None) -> None:
        self._name = name
        self._total = max(1, total)
        self._out = out or sys.stderr
        self._redraws = self._out.isatty()
        self._began_s = time.monotonic()
        self._shown_s = self._began_s - REDRAW_EVERY_S
        self._said = 0

    def __enter__(self) -> "Progress":
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        if self._redraws:
            self._out.write("\n")
            self._out.flush()

    def at(self, done: int) -> None:
        """Tell that `done` of the total are done."""
        if self._redraws:
            self._redraw(done)
            return
        part = done * PLAIN_STEPS // self._total
        if part > self._said:
            self._said = part
            self._out.write(f"{self._name}: {100 * done // self._total} %\n")
            self._out.flush()

    def _redraw(self, done: int) -> None:
        now_s = time.monotonic()
        if now_s - self._shown_s < REDRAW_EVERY_S and done < self._total:
            return
        self._shown_s = now_s
        filled = BAR_WIDTH * done // self._total
        left_s = (now_s - self._began_s) * (self._total - done) / max(1, done)
        bar = "#" * filled + "." * (BAR_WIDTH - filled)
        self._out.write(f"\r{self._name} [{bar}] {100 * done // self._total:3d} % {left_s:5.0f} s left ")
        self._out.flush()
