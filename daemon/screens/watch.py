"""The command `watch`: the site on a terminal until somebody leaves, over a slow link as well."""

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from time import monotonic
from typing import TextIO

from daemon.errors import ServiceError
from daemon.folders import Folders
from daemon.screens.keys import Keys
from daemon.screens.looker import Looker
from daemon.screens.redraw import Redraw
from daemon.screens.taken_terminal import Ended, TakenTerminal
from daemon.screens.view import OWN_SIGNS, PLAIN, RICH, Signs
from daemon.screens.watch_state import PAGES, WatchState

EVERY_S = 2.0
EVERY_LEAST_S, EVERY_MOST_S = 0.5, 3600.0
ESCAPE_S = 0.1  # so long after an escape the rest of its sequence has come, or it was the key itself
MESSAGE_S = 8.0
CHECK_S = 1.0  # between two looks whether the caller wants an end
# Terminals whose letters lack the finer blocks, whatever the encoding says.
PLAIN_TERMS = ("linux", "ansi", "cons25", "vt52", "vt100", "vt102", "vt220")
DAYS_PAGE = PAGES.index("past days")


def run_watch(
    folders: Folders,
    *,
    store: Path | None = None,
    every_s: float = EVERY_S,
    plain: bool = False,
    seconds: float | None = None,
    ended: Callable[[], bool] = lambda: False,
) -> int:
    """Show the site until q is pressed.

    Args:
        folders: where the socket and the record are.
        store: a record to look at instead of asking the service.
        every_s: seconds between two looks, EVERY_LEAST_S to EVERY_MOST_S.
        plain: ASCII only and no colour.
        seconds: leave by itself after this; None stays.
        ended: asked each second; leaves when it says so.
    Returns: 0 when somebody left or the time was over.
    Raises: ServiceError: there is no terminal to draw on.
    """
    if not can_watch():
        raise ServiceError("watch needs a terminal it can draw on: without one use `halfmark status`")
    signs = PLAIN if plain or not can_show(sys.stdout) else RICH
    colour = not plain and not os.environ.get("NO_COLOR")
    sys.stdout.flush()
    terminal = TakenTerminal(sys.stdin.fileno(), sys.stdout.fileno())
    every_s = min(EVERY_MOST_S, max(EVERY_LEAST_S, every_s))
    looker = Looker(folders, store=store, every_s=every_s, news=terminal.wake)
    screen = Screen(terminal, looker, signs, Redraw(colour=colour, encoding=sys.stdout.encoding or "ascii"))
    end_s = None if seconds is None else monotonic() + seconds
    try:
        with terminal:
            looker.start()
            screen.run(lambda: ended() or (end_s is not None and monotonic() >= end_s))
    except Ended as why:
        if why.number != signal.SIGINT:
            looker.stop()
            signal.signal(why.number, signal.SIG_DFL)
            os.kill(os.getpid(), why.number)  # whoever sent it sees that it worked
    finally:
        looker.stop()
    return 0


def can_watch() -> bool:
    """Whether there is a terminal that can be drawn on."""
    return sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM", "dumb") not in ("", "dumb")


def can_show(out: TextIO) -> bool:
    """Whether the terminal has the finer signs, by its encoding and its name."""
    if os.environ.get("TERM", "") in PLAIN_TERMS:
        return False
    try:
        "".join(OWN_SIGNS).encode(out.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


class Screen:
    """Keys in, frames out."""

    def __init__(self, terminal: TakenTerminal, looker: Looker, signs: Signs, redraw: Redraw) -> None:
        self._terminal, self._looker, self._signs, self._redraw = terminal, looker, signs, redraw
        self._state = WatchState()
        self._keys = Keys()
        self._message_s = 0.0
        self._size = (0, 0)

    def run(self, over: Callable[[], bool]) -> None:
        """Draw and take keys until somebody leaves, `over` says so, or the terminal is gone."""
        while not self._state.leaving and not over():
            try:
                self._draw()
            except OSError:
                return  # the terminal is gone: nobody is left to draw for
            typed = self._terminal.wait(ESCAPE_S if self._keys.waiting else CHECK_S)
            if typed is None:
                return
            for key in self._keys.feed(typed) if typed else self._keys.settle():
                self._press(key)
            self._tidy()

    def _press(self, key: str) -> None:
        if key == "redraw":
            self._terminal.changed = True
            return
        told = self._state.press(key, self._looker.view)
        if self._state.message:
            self._message_s = monotonic()
        if told is not None and not self._looker.take_on(told.alert, told.note):
            self._state.message = "too much waits for the service: try again"
        if self._state.page == DAYS_PAGE:
            self._looker.want_days()

    def _tidy(self) -> None:
        """Show what came of the last word to the service, and take messages away after a while."""
        if self._looker.word:
            self._state.message, self._looker.word = self._looker.word, ""
            self._message_s = monotonic()
        elif self._state.message and monotonic() - self._message_s > MESSAGE_S:
            self._state.message = ""

    def _draw(self) -> None:
        if self._terminal.changed:
            self._terminal.changed = False
            self._redraw.forget()
            self._size = self._terminal.size()
        columns, rows = self._size
        frame = self._redraw.frame(self._state.draw(self._looker.view, columns, rows, self._signs), columns, rows)
        if frame:
            self._terminal.write(frame)
