"""Where a temperature is going: how long until it passes a limit, if it goes on as in the last hour.

The rise of the last half hour is held against that of the half hour before. A rise that slows down, as
that of every box in a warm afternoon does, is taken to go on slowing down in the same ratio, so that
it may never reach the limit; one that grows is taken to go on as it is.
"""

from collections import deque
from math import log

NOT_SOON_H = 99.0  # told when the limit is not reached
SMOOTH_S = 300.0  # over which readings are averaged
MARK_S = 600.0
MARKS = 7  # one each ten minutes over an hour
GAP_S = 900.0  # after a longer time without a reading it begins anew
LEAST_K = 0.5  # a smaller rise in half an hour is none
_SLOWEST = 0.2  # a ratio below this tells of noise, not of a rise that dies out


class HeatTrend:
    """One temperature; times in seconds since boot."""

    __slots__ = ("_last_s", "_mark_s", "_marks_c", "_mean_c", "_rises_k", "limit_c")

    def __init__(self, limit_c: float) -> None:
        self.limit_c = limit_c
        self._mark_s = 0.0
        self._marks_c: deque[float] = deque(maxlen=MARKS)
        self._rises_k: tuple[float, float] | None = None  # from mark to mark, of the half hours before and after
        self._mean_c = 0.0
        self._last_s: float | None = None

    def step(self, now_s: float, value_c: float | None) -> float | None:
        """Fold a reading in.

        Returns: hours until the limit; 0 past it, NOT_SOON_H when it is not reached, None before an hour was seen.
        """
        if value_c is None:
            return None
        last_s = self._last_s
        if last_s is None or not 0.0 <= (dt_s := now_s - last_s) <= GAP_S:
            self.clear()
            self._mean_c = value_c
        else:
            self._mean_c += (value_c - self._mean_c) * (dt_s / SMOOTH_S if dt_s < SMOOTH_S else 1.0)
        self._last_s = now_s
        if not self._marks_c or now_s - self._mark_s >= MARK_S:
            self._mark(now_s)
        return None if self._rises_k is None else hours_to(self._mean_c, self.limit_c, *self._rises_k)

    def _mark(self, now_s: float) -> None:
        marks_c, half = self._marks_c, MARKS // 2
        marks_c.append(self._mean_c)
        self._mark_s = now_s
        if len(marks_c) == MARKS:
            self._rises_k = marks_c[half] - marks_c[0], marks_c[-1] - marks_c[half]

    def clear(self) -> None:
        """Begin anew, after a restart."""
        self._marks_c.clear()
        self._rises_k = None
        self._last_s = None


def hours_to(now_c: float, limit_c: float, before_k: float, last_k: float) -> float:
    """Tell how long a temperature takes to its limit, h.

    Args:
        now_c, limit_c: temperature and limit, C.
        before_k, last_k: its rise in the half hour before the last one, and in the last one, K.
    Source: a rise that shrinks by the same ratio each half hour, the sum of a geometric series.
    """
    left_k = limit_c - now_c
    if left_k <= 0.0:
        return 0.0
    if last_k < LEAST_K:
        return NOT_SOON_H
    ratio = max(_SLOWEST, last_k / before_k) if before_k > 0.0 else 1.0
    if ratio >= 1.0:
        return min(NOT_SOON_H, 0.5 * left_k / last_k)
    if left_k >= last_k * ratio / (1.0 - ratio):
        return NOT_SOON_H
    return min(NOT_SOON_H, 0.5 * log(1.0 - left_k * (1.0 - ratio) / (last_k * ratio)) / log(ratio))
