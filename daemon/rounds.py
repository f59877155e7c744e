"""What is done each so many seconds of a file's time: the rules each minute, other things more seldom."""

from collections.abc import Callable, Sequence

GAP_S_MOST = 86_400.0  # rounds go on through a gap for so long; in a longer one nothing new can happen


class Rounds:
    """Works that are due at multiples of their period, run in the order of time.

    Attributes:
        due_s: when the next one is due.
    """

    def __init__(self, works: Sequence[tuple[float, Callable[[float], None]]]) -> None:
        """Take each work with its period, s; it is called with the time at which it was due."""
        self._every_s = [every_s for every_s, _ in works]
        self._works = [work for _, work in works]
        self._due_s = list(self._every_s)
        self.due_s = min(self._due_s)

    def run_before(self, at_s: float) -> None:
        """Run what is due before `at_s`, each at its own time."""
        end_s = min(at_s, self.due_s + GAP_S_MOST)
        while self.due_s < end_s:
            self._run(self.due_s)
        if self.due_s < at_s:
            self._due_s = [-(-at_s // every_s) * every_s for every_s in self._every_s]
            self.due_s = min(self._due_s)

    def run_at(self, at_s: float) -> None:
        """Run what is due at `at_s`."""
        if self.due_s <= at_s:
            self._run(at_s)

    def _run(self, now_s: float) -> None:
        for index, due_s in enumerate(self._due_s):
            if due_s <= now_s:
                self._works[index](now_s)
                self._due_s[index] += self._every_s[index]
        self.due_s = min(self._due_s)
