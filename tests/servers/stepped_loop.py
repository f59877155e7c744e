"""An event loop on invented time: what sleeps is woken at once, and the clock jumps there."""

import asyncio
import heapq
from collections.abc import Callable
from typing import Any


class SteppedLoop(asyncio.SelectorEventLoop):
    """An event loop whose time jumps to the next timer at once: days pass in milliseconds."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1000.0

    def time(self) -> float:
        return self.now_s

    def _run_once(self) -> None:
        if not self._ready and self._scheduled:  # type: ignore[attr-defined]
            self.now_s = max(self.now_s, heapq.nsmallest(1, self._scheduled)[0]._when)  # type: ignore[attr-defined]
        super()._run_once()  # type: ignore[misc]

    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:  # type: ignore[override]
        """Done at once, on this thread: time must not jump while another thread works."""
        done = self.create_future()
        try:
            done.set_result(func(*args))
        except Exception as why:
            done.set_exception(why)
        return done
