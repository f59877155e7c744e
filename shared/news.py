"""When each state last learned something: so that a figure can be shown with the age of what it rests on."""

from collections.abc import Mapping
from typing import Any

from shared.covariance import Matrix

_TOLD_MORE = 0.98  # a variance that fell below this share of its mark since has learned something
_LOOK_EVERY_S = 3600.0


class News:
    """Looks at the variances each hour.

    Attributes:
        age_s: shape (n,), seconds since the state's variance last fell by a fiftieth; since the start if never.
    """

    __slots__ = ("_marks", "_waited_s", "age_s")

    def __init__(self, p: Matrix) -> None:
        """Start with the covariance as nothing was learned yet."""
        self.age_s = [0.0] * len(p)
        self._marks = [row[i] for i, row in enumerate(p)]
        self._waited_s = 0.0

    def step(self, dt_s: float, p: Matrix) -> None:
        """Let `dt_s` seconds pass and look at the covariance when it is time."""
        self._waited_s += dt_s
        if self._waited_s < _LOOK_EVERY_S:
            return
        for i, mark in enumerate(self._marks):
            variance = p[i][i]
            if variance < _TOLD_MORE * mark:
                self._marks[i], self.age_s[i] = variance, 0.0
            else:
                self._marks[i] = max(mark, variance)
                self.age_s[i] += self._waited_s
        self._waited_s = 0.0

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {"age_s": list(self.age_s), "marks": list(self._marks), "waited_s": self._waited_s}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take a snapshot back."""
        self.age_s = [float(value) for value in saved["age_s"]]
        self._marks = [float(value) for value in saved["marks"]]
        self._waited_s = float(saved["waited_s"])
