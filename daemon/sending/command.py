"""Hands a letter to a program of the site's own: no shell, nothing in the letter is ever interpreted.

The program gets the letter as JSON on its standard input and its fields in the environment, and tells
by its exit code what became of it:

    0                   taken
    65 (EX_DATAERR)     refused for good, this letter is not tried again
    75 (EX_TEMPFAIL)    not now; and so is every other code, because a script that fails anywhere ends with 1

A letter that is put off again and again steps aside for the next ones and is tried at the longest
interval from then on. The codes are those of sysexits.h (from memory).
"""

import json
import os
import selectors
import signal
import subprocess
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from threading import Lock

from daemon.sending.ways import Letter, Outcome, letter_fields
from shared.notices import plain
from shared.site import WayOut

LIMIT_S = 60.0  # for one run of the program
KILL_AFTER_S = 2.0  # between asking its process group to end and killing it
SAID_MOST = 2048  # bytes of what it writes that are kept, the last ones
REASON_MOST = 160
FIELD_MOST = 4000  # characters of one variable
EX_OK, EX_DATAERR, EX_TEMPFAIL = 0, 65, 75
PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


class CommandWay:
    """One [way-out.NAME] of kind command."""

    recipients: tuple[str, ...] = ("command",)

    def __init__(self, way: WayOut, *, limit_s: float = LIMIT_S) -> None:
        """Take the way's settings; nothing is run before the first letter.

        Args:
            way: of kind command, with its program and arguments.
            limit_s: how long the program may take, s.
        """
        self.name = way.name
        self.least = way.least
        self._argv = list(way.command)
        self._limit_s = limit_s
        self._child: subprocess.Popen[bytes] | None = None
        self._starting = Lock()  # a program may speak, and be aborted, before its start has returned here

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        """Run the program with the letter, and judge its exit code."""
        try:
            code, said = self._run(letter)
        except (OSError, ValueError) as why:
            return Outcome(broken=plain(f"{self._program()} can't be run: {why}", REASON_MOST))
        told = plain(f"{self._program()} ended with {code}: {said}", REASON_MOST)
        if code is None:
            return Outcome(broken=f"{self._program()} took more than {self._limit_s:g} s and was killed")
        if code == EX_OK:
            return Outcome(taken=tuple(to))
        if code == EX_DATAERR:
            return Outcome(refused=dict.fromkeys(to, told))
        return Outcome(later=dict.fromkeys(to, told))

    def abort(self) -> None:
        """Kill the program that a `send` on another thread waits for."""
        with self._starting:
            child = self._child
            if child is not None and child.returncode is None:
                _signal(child, signal.SIGKILL)

    def _program(self) -> str:
        return plain(self._argv[0], 80) if self._argv else "no program"

    def _run(self, letter: Letter) -> tuple[int | None, str]:
        """Give the exit code, None after the time limit, and the end of what the program wrote."""
        if not self._argv:
            raise ValueError(f"way-out.{self.name} names no command: add command = [...]")
        # A file in memory, not a pipe: a program that never reads its input can't make us wait.
        letter_file = os.memfd_create("letter")
        try:
            os.write(letter_file, json.dumps(letter_fields(letter)).encode("ascii"))
            os.lseek(letter_file, 0, os.SEEK_SET)
            with self._starting:
                child = self._child = subprocess.Popen(
                    self._argv,
                    stdin=letter_file,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.STDOUT,
                    env=environment(letter),
                    cwd="/",
                    start_new_session=True,
                )
        finally:
            os.close(letter_file)
        try:
            return _waited_for(child, self._limit_s)
        finally:
            self._child = None
            assert child.stdout is not None
            child.stdout.close()


def environment(letter: Letter) -> Mapping[str, str]:
    """Give the variables a program sees: a plain PATH, and the letter's fields as HALFMARK_*."""
    fields = {
        f"HALFMARK_{name.upper()}": "" if value is None else str(value).replace("\0", " ")[:FIELD_MOST]
        for name, value in letter_fields(letter).items()
    }
    return {"PATH": PATH, "LANG": "C.UTF-8", **fields}


def _waited_for(child: subprocess.Popen[bytes], limit_s: float) -> tuple[int | None, str]:
    """Wait for the program itself; what it leaves running in the background is its own affair."""
    assert child.stdout is not None
    os.set_blocking(child.stdout.fileno(), False)
    end_s = time.monotonic() + limit_s
    said = bytearray()
    ended = os.pidfd_open(child.pid)
    try:
        with selectors.DefaultSelector() as ready:
            ready.register(ended, selectors.EVENT_READ)
            ready.register(child.stdout, selectors.EVENT_READ)
            while (left_s := end_s - time.monotonic()) > 0.0:
                which = {key.fileobj for key, _ in ready.select(left_s)}
                if child.stdout in which and not _read(child.stdout.fileno(), said):
                    ready.unregister(child.stdout)
                if ended in which:
                    _read(child.stdout.fileno(), said)
                    return child.wait(), _last_words(said)
        _end(child)
        return None, _last_words(said)
    finally:
        os.close(ended)


def _read(pipe: int, said: bytearray) -> bool:
    """Take what is there, keep its end; False when nothing more can come."""
    try:
        data = os.read(pipe, 65_536)
    except BlockingIOError:
        return True
    said += data
    del said[:-SAID_MOST]
    return bool(data)


def _end(child: subprocess.Popen[bytes]) -> None:
    """Ask the whole process group to end, then kill it."""
    _signal(child, signal.SIGTERM)
    with suppress(subprocess.TimeoutExpired):
        child.wait(KILL_AFTER_S)
    _signal(child, signal.SIGKILL)
    child.wait()


def _signal(child: subprocess.Popen[bytes], number: signal.Signals) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, number)  # the group stays ours while any of it lives, or its leader is not waited for


def _last_words(said: bytearray) -> str:
    lines = [line for line in said.decode("utf-8", "replace").splitlines() if line.strip()]
    return plain(lines[-1], REASON_MOST) if lines else "without a word"
