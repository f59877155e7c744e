"""One thread a way out, so that a server that hangs on one holds up no other."""

import logging
import queue
import threading
from collections.abc import Callable, Mapping, Sequence

from daemon.sending.ways import Letter, Outcome, Way

log = logging.getLogger("halfmark.send")


class Crew:
    """Hands letters over on threads; one letter at a time on each way."""

    def __init__(self, ways: Mapping[str, Way], ring: Callable[[], None]) -> None:
        """Start nothing yet; a way's thread starts with its first letter.

        Args:
            ways: by name.
            ring: called, on the way's thread, when an outcome is there.
        """
        self._ways = ways
        self._ring = ring
        self._jobs: dict[str, queue.SimpleQueue[tuple[Letter, Sequence[str]]]] = {}
        self._outcomes: queue.SimpleQueue[tuple[str, Outcome]] = queue.SimpleQueue()

    def hand(self, way: str, letter: Letter, to: Sequence[str]) -> None:
        """Begin to hand a letter over; the way must not be busy."""
        if way not in self._jobs:
            self._jobs[way] = queue.SimpleQueue()
            threading.Thread(target=self._work, args=(way,), name=f"way {way}", daemon=True).start()
        self._jobs[way].put((letter, to))

    def outcomes(self) -> list[tuple[str, Outcome]]:
        """Take what has come back since the last call, with the way's name."""
        taken: list[tuple[str, Outcome]] = []
        while True:
            try:
                taken.append(self._outcomes.get_nowait())
            except queue.Empty:
                return taken

    def abort(self, way: str) -> None:
        """Make a hand-over that hangs end soon; its outcome still comes."""
        self._ways[way].abort()

    def _work(self, name: str) -> None:
        way, jobs = self._ways[name], self._jobs[name]
        while True:
            letter, to = jobs.get()
            try:
                outcome = way.send(letter, to)
            except Exception as why:  # our own mistake, told with its trace; the letter must not be lost over it
                log.exception("way-out.%s: mistake in the program", name)
                outcome = Outcome(broken=f"mistake in the program: {why!r}"[:200])
            self._outcomes.put((name, outcome))
            self._ring()
