"""Writes the record of an invented past in a process of its own, while the demo works the next hours out.

More than half of the time that a past takes goes into sealing its record; beside each other the two take as
long as the longer one. The child, `python -m daemon.past_writer FOLDER BOOT_ID WALL_UTC_S`, takes pickled
batches on its standard input until that ends; the pipe holds less than one, so that neither side runs away.
"""

import pickle
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO

from daemon.errors import StoreError
from daemon.record import Batch, Record
from shared.readings import Reading

ENDED_S = 120.0  # for what is still to be sealed at the end
REASON_MOST = 2000  # characters of what the child said last


class PastWriter:
    """The demo's side; a context manager, at whose end all of the past is stored."""

    def __init__(self, folder: Path, *, boot_id: str, wall_utc_s: float) -> None:
        """Start the child.

        Args:
            folder: where the record is made.
            boot_id: the boot in which the past happened. wall_utc_s: when it began, s.
        """
        self._folder = folder
        command = [sys.executable, "-m", "daemon.past_writer", str(folder), boot_id, repr(wall_utc_s)]
        self._child = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE)

    @property
    def pid(self) -> int:
        """Number of the child."""
        return self._child.pid

    def commit(self, batch: Batch) -> None:
        """Hand a batch over; its readings have good values only.

        Raises: StoreError: the child has ended before its time, and why.
        """
        rows = [(reading.instrument, reading.at_s, dict(reading.values)) for reading in batch.readings]
        batch.readings = []
        try:
            pickle.dump((rows, batch), self._pipe, pickle.HIGHEST_PROTOCOL)
        except BrokenPipeError:
            self._finish()
            raise

    @property
    def _pipe(self) -> IO[bytes]:
        assert self._child.stdin is not None
        return self._child.stdin

    def _finish(self) -> None:
        """Close the pipe and wait for the child. Raises: StoreError: it did not store all, and why."""
        try:
            _, said = self._child.communicate(timeout=ENDED_S)
        except subprocess.TimeoutExpired:
            words = f"sealing it took more than {ENDED_S:.0f} s: is the disk very slow?"
        else:
            if self._child.returncode == 0:
                return
            words = said.decode("utf-8", "replace").strip()[-REASON_MOST:] or "it ended without a word"
        raise StoreError(f"the past could not be stored in {self._folder}: {words}")

    def __enter__(self) -> "PastWriter":
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        try:
            if kind is None:
                self._finish()
        finally:
            self._child.kill()
            self._child.wait()
            for pipe in (self._child.stdin, self._child.stderr):
                with suppress(OSError):
                    if pipe is not None:
                        pipe.close()


def _batches(pipe: IO[bytes]) -> Iterator[Batch]:
    while True:
        try:
            rows, batch = pickle.load(pipe)
        except EOFError:
            return
        batch.readings = [Reading(*row) for row in rows]
        yield batch


def main(words: list[str]) -> int:
    """Write what comes by standard input."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the demo, which ends this process
    folder, boot_id, wall_utc_s = words
    try:
        record = Record.open(Path(folder), boot_id=boot_id, elapsed_s=0.0, wall_utc_s=float(wall_utc_s))
        try:
            for batch in _batches(sys.stdin.buffer):
                record.commit(batch)
                while record.tend(batch.until_s):
                    pass
        finally:
            record.close()
    except StoreError as why:
        print(why, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
