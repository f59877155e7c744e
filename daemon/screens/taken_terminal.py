"""A terminal taken over for a screen of our own, and given back as it was in every ending.

Keys come one at a time and unseen, the other screen is used so that what was there comes back, and
nothing wraps at the edge. Whatever ends the program other than SIGKILL passes through `__exit__`: a
signal that ends it becomes an exception first, also in the middle of writing.
"""

import contextlib
import os
import select
import signal
import termios
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any

ENTER = b"\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J"  # the other screen, no cursor, no wrapping
LEAVE = b"\x1b[m\x1b[?7h\x1b[?25h\x1b[?1049l"
ENDING = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGQUIT)
READ_SIZE = 1024
COLUMNS_MOST, ROWS_MOST = 500, 200  # what a terminal may claim to be


class Ended(BaseException):  # not an Exception: nothing on the way may take it for a trouble of its own
    """A signal asked the program to end."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class TakenTerminal:
    """A context manager around two descriptors of one terminal; `wake` may be called from any thread."""

    def __init__(self, source: int, sink: int) -> None:
        """Take the descriptors.

        Args:
            source: where keys come from.
            sink: where the screen goes.
        """
        self._source, self._sink = source, sink
        self._before: list[Any] | None = None
        self._handlers: dict[int, Any] = {}
        self._wake_out, self._wake_in = -1, -1
        self.changed = True  # the size, or what is shown: to be drawn whole

    def __enter__(self) -> "TakenTerminal":
        self._wake_out, self._wake_in = os.pipe()
        for end in (self._wake_out, self._wake_in):
            os.set_blocking(end, False)
        self._before = termios.tcgetattr(self._source)
        ours: dict[int, Callable[[int, FrameType | None], None]] = dict.fromkeys(ENDING, self._end)
        ours |= {signal.SIGWINCH: self._resize, signal.SIGTSTP: self._stop, signal.SIGCONT: self._go_on}
        try:
            for number, handler in ours.items():
                self._handlers[number] = signal.signal(number, handler)
            signal.set_wakeup_fd(self._wake_in, warn_on_full_buffer=False)
            self._take_over()
        except BaseException as why:
            self.__exit__(type(why), why, None)
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        for ending in ENDING:  # a second one must not break off what the first one began
            signal.signal(ending, signal.SIG_IGN)
        self._give_back(flush=isinstance(why, Ended))
        signal.set_wakeup_fd(-1)
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        wake_out, wake_in = self._wake_out, self._wake_in
        self._wake_out = self._wake_in = -1
        for end in (wake_in, wake_out):
            os.close(end)

    # -- taking and giving back ----------------------------------------------------------------

    def _take_over(self) -> None:
        assert self._before is not None
        ours: list[Any] = [part.copy() if isinstance(part, list) else part for part in self._before]
        ours[3] &= ~(termios.ICANON | termios.ECHO)
        ours[6][termios.VMIN], ours[6][termios.VTIME] = 1, 0
        termios.tcsetattr(self._source, termios.TCSANOW, ours)
        self.write(ENTER)
        self.changed = True

    def _give_back(self, *, flush: bool) -> None:
        """Put everything back; a terminal that has gone away needs nothing."""
        if self._before is None:
            return
        with contextlib.suppress(OSError, termios.error):
            if flush:  # half a screen may be stuck on a stalled link
                termios.tcflow(self._sink, termios.TCOON)
                termios.tcflush(self._sink, termios.TCOFLUSH)
            self.write(LEAVE)
        with contextlib.suppress(OSError, termios.error):
            termios.tcsetattr(self._source, termios.TCSANOW, self._before)

    # -- signals -------------------------------------------------------------------------------

    def _end(self, number: int, _: FrameType | None) -> None:
        raise Ended(number)

    def _resize(self, _: int, __: FrameType | None) -> None:
        self.changed = True

    def _stop(self, number: int, _: FrameType | None) -> None:
        """Ctrl-Z: give the terminal back, and stop like any program; with no shell above, it is let go on."""
        self._give_back(flush=False)
        ours = signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
        signal.signal(number, ours)  # going on starts here
        self._again()

    def _go_on(self, _: int, __: FrameType | None) -> None:
        """Somebody stopped it in a way that nobody can catch: what the terminal shows now is not known."""
        self._again()

    def _again(self) -> None:
        with contextlib.suppress(OSError, termios.error):  # gone in the meantime: the next write tells
            self._take_over()

    # -- using it ------------------------------------------------------------------------------

    def size(self) -> tuple[int, int]:
        """Columns and rows as the terminal says, 80 and 24 when it does not."""
        try:
            columns, rows = os.get_terminal_size(self._sink)
        except OSError:
            columns, rows = 0, 0
        return min(columns or 80, COLUMNS_MOST), min(rows or 24, ROWS_MOST)

    def write(self, data: bytes) -> None:
        """Write all of it; raises OSError when the terminal has gone away."""
        view = memoryview(data)
        while view:
            view = view[os.write(self._sink, view) :]

    def wait(self, limit_s: float | None) -> bytes | None:
        """Wait for keys, a signal, or `wake`.

        Returns: what was typed; empty when there was something else or nothing; None when the terminal is gone.
        """
        ready, _, _ = select.select([self._source, self._wake_out], [], [], limit_s)
        if self._wake_out in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_out, READ_SIZE)
        if self._source not in ready:
            return b""
        try:
            return os.read(self._source, READ_SIZE) or None
        except OSError:
            return None

    def wake(self) -> None:
        """Make `wait` return; does nothing once the terminal is given back."""
        if self._wake_in >= 0:
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._wake_in, b"w")
