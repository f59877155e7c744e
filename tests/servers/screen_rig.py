"""A program on a real pseudo-terminal of any size, and what its screen shows."""

import contextlib
import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from servers.terminal_copy import TerminalCopy

LIMIT_S = 20.0
TAKES_S = 0.02
WATCH = "import sys; from pathlib import Path; from daemon.folders import Folders; from daemon.screens.watch import *; "


class ScreenRig:
    """A context manager; the test's end of the pseudo-terminal stays open, so modes can be looked at afterwards."""

    def __init__(
        self, command: Sequence[str], *, columns: int = 80, rows: int = 24, env: Mapping[str, str] | None = None
    ) -> None:
        self.shown = TerminalCopy(columns, rows)
        self._command = list(command)
        self._env = {"PATH": os.environ["PATH"], "TERM": "xterm-256color", "LC_ALL": "C.UTF-8", **(env or {})}

    def __enter__(self) -> "ScreenRig":
        self._ours, self._theirs = pty.openpty()
        self._set_size()
        self.modes_before = termios.tcgetattr(self._theirs)
        self.child = subprocess.Popen(
            self._command,
            stdin=self._theirs,
            stdout=self._theirs,
            stderr=self._theirs,
            env=self._env,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        return self

    def __exit__(self, *_: object) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.wait()
        for end in (self._ours, self._theirs):
            with contextlib.suppress(OSError):
                os.close(end)

    # -- looking -------------------------------------------------------------------------------

    def take(self, for_s: float = TAKES_S) -> int:
        """Take what the program sends for so long; returns how many bytes came."""
        before, until_s = self.shown.received, time.monotonic() + for_s
        while (left_s := until_s - time.monotonic()) > 0.0:
            ready, _, _ = select.select([self._ours], [], [], left_s)
            if ready:
                self.shown.feed(os.read(self._ours, 65_536))
        return self.shown.received - before

    def until(self, look: Callable[[TerminalCopy], Any], about: str = "it", limit_s: float = LIMIT_S) -> None:
        """Take what comes until the screen is as wanted."""
        until_s = time.monotonic() + limit_s
        while not look(self.shown):
            if time.monotonic() > until_s:
                raise AssertionError(f"{about} did not come in {limit_s} s; on the screen:\n{self.shown.text}")
            self.take()

    def until_text(self, text: str, limit_s: float = LIMIT_S) -> None:
        self.until(lambda shown: text in shown.text, repr(text), limit_s)

    def until_ended(self, limit_s: float = LIMIT_S) -> int:
        """Wait for the end of the program, taking what it still sends; returns its exit code."""
        self.until(lambda _: self.child.poll() is not None, "the end", limit_s)
        self.take()
        return self.child.returncode

    @property
    def modes_now(self) -> list[Any]:
        return termios.tcgetattr(self._theirs)

    # -- doing ---------------------------------------------------------------------------------

    def type(self, keys: str | bytes) -> None:
        os.write(self._ours, keys.encode() if isinstance(keys, str) else keys)

    def signal(self, number: int) -> None:
        os.kill(self.child.pid, number)

    def resize(self, columns: int, rows: int) -> None:
        self.shown.resize(columns, rows)
        self._set_size()
        os.kill(self.child.pid, signal.SIGWINCH)

    def hang_up(self) -> None:
        """Let the terminal go away, as when a link breaks."""
        for end in (self._theirs, self._ours):
            os.close(end)

    def until_blocked(self, key: str, limit_s: float = LIMIT_S) -> None:
        """Type a key that makes it draw, taking nothing, until no more room is left for what it writes."""
        until_s = time.monotonic() + limit_s
        while select.select([], [self._theirs], [], 0.0)[1]:
            if time.monotonic() > until_s:
                raise AssertionError("the terminal did not fill up")
            self.type(key)
            time.sleep(TAKES_S)

    def _set_size(self) -> None:
        fcntl.ioctl(self._theirs, termios.TIOCSWINSZ, struct.pack("HHHH", self.shown.rows, self.shown.columns, 0, 0))


def watch_command(state: Path, *, store: Path | None = None, every_s: float = 0.5, more: str = "") -> list[str]:
    """The command line that starts `watch` on a folder, in this interpreter."""
    what = f"store=Path({str(store)!r}), " if store is not None else ""
    code = (
        f"{WATCH}sys.exit(run_watch(Folders.find(state=Path({str(state)!r}), env={{}}), {what}every_s={every_s}{more}))"
    )
    return [sys.executable, "-c", code]
