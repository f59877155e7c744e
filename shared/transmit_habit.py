"""What is usual at a site: the current a keying adds, the pauses between keyings, the steady draw beneath.

Each is learned from what was seen, slowly and bounded, so that a change shows against it before it
becomes the new habit.
"""

from collections.abc import Mapping, Sequence
from math import exp, sqrt
from statistics import median
from typing import Any

NEWEST = 20  # keyings whose median is compared with the habit
_FEW = 8  # keyings from which on their median is believed
_FIRST = 40  # keyings that make the habit at first
_FORGET_KEYINGS = 3000.0  # about a month of a busy site: the habit follows that slowly, judgement
_MAD_TO_SIGMA = 1.4826  # of a normal spread
_MEDIAN_WORSE = 1.2533  # error of a median over that of a mean, normal spread
_SIGMAS = 4.0
_ALIKE = 0.25  # keyings without a site file's word are a transmitter's if most agree so well
_AGREEING = 0.75
_PAUSE_LEAST_S = 8 * 3600.0  # no pause shorter than a quiet night is unusual: judgement
_PAUSE_FORGET_S = 30 * 86_400.0
_KNOWN_AFTER_S, _KNOWN_AFTER = 86_400.0, 10  # time and keyings before silence can be judged

_MINUTE_S = 60.0
_MINUTE_ROWS = 10  # quiet rows that make a minute's level
_MINUTES = 15  # of which the present level is the median
_DAY_MINUTES = 1440.0
_FOLLOW_A = 2.5e-5  # A a minute by which the usual level follows, half an ampere in two weeks: judgement


class StepHabit:
    """What keying adds to the draw: the newest keyings, and what was usual before.

    Attributes:
        newest_a: the newest steps, A, oldest first.
        usual_a, spread_a: what is usual and its standard deviation from keying to keying; None until known.
    """

    __slots__ = ("_first_a", "newest_a", "spread_a", "usual_a")

    def __init__(self) -> None:
        self.newest_a: list[float] = []
        self.usual_a: float | None = None
        self.spread_a = 0.0
        self._first_a: list[float] = []

    def fold(self, step_a: float) -> None:
        """Take the step of one keying, A."""
        self.newest_a.append(step_a)
        del self.newest_a[:-NEWEST]
        if self.usual_a is None:
            self._first_a.append(step_a)
            if len(self._first_a) >= _FIRST:
                self.usual_a = median(self._first_a)
                self.spread_a = _MAD_TO_SIGMA * median(abs(a - self.usual_a) for a in self._first_a)
                self._first_a.clear()
            return
        self.usual_a += (step_a - self.usual_a) / _FORGET_KEYINGS

    @property
    def now_a(self) -> float | None:
        """Median of the newest keyings, A; None before there are enough."""
        return median(self.newest_a) if len(self.newest_a) >= _FEW else None

    @property
    def is_alike(self) -> bool:
        """Whether enough keyings were seen and most agree: then it is a transmitter that is watched."""
        now_a = self.now_a
        if now_a is None:
            return False
        agreeing = sum(abs(a - now_a) <= _ALIKE * now_a for a in self.newest_a)
        return agreeing >= _AGREEING * len(self.newest_a)

    def shift(self) -> float | None:
        """How far the newest are off what is usual, as a share of it, in size; 0 within four standard errors.

        None before both are known.
        """
        if self.usual_a is None or len(self.newest_a) < NEWEST:
            return None
        off_a = abs(median(self.newest_a) - self.usual_a)
        error_a = _MEDIAN_WORSE * self.spread_a / sqrt(NEWEST)
        return off_a / self.usual_a if off_a > _SIGMAS * error_a else 0.0

    def snapshot(self) -> list[object]:
        """Everything needed to go on, as JSON can hold it."""
        return [list(self.newest_a), self.usual_a, self.spread_a, list(self._first_a)]

    def restore(self, saved: Sequence[Any]) -> None:
        """Take a snapshot back."""
        newest_a, self.usual_a, self.spread_a, first_a = saved
        self.newest_a, self._first_a = list(newest_a), list(first_a)


class PauseHabit:
    """How long the transmitter is usually quiet; counts only time in which it could be seen.

    Attributes:
        quiet_s: since the last keying, s.
        usual_s: the longest usual pause, s.
    """

    __slots__ = ("keyings", "quiet_s", "seen_s", "usual_s")

    def __init__(self) -> None:
        self.quiet_s = self.seen_s = 0.0
        self.usual_s = _PAUSE_LEAST_S
        self.keyings = 0

    def pass_time(self, dt_s: float) -> None:
        """Let time pass in which no keying was seen."""
        self.quiet_s += dt_s
        self.seen_s += dt_s

    def keyed(self) -> None:
        """A keying began."""
        kept_s = self.usual_s * exp(-self.quiet_s / _PAUSE_FORGET_S)
        self.usual_s = max(_PAUSE_LEAST_S, kept_s, self.quiet_s)
        self.quiet_s = 0.0
        self.keyings += 1

    def ratio(self) -> float | None:
        """The present pause over the longest usual one; None before a day and some keyings were seen."""
        known = self.seen_s >= _KNOWN_AFTER_S and self.keyings >= _KNOWN_AFTER
        return self.quiet_s / self.usual_s if known else None

    def snapshot(self) -> list[float]:
        """Everything needed to go on, as JSON can hold it."""
        return [self.quiet_s, self.seen_s, self.usual_s, self.keyings]

    def restore(self, saved: Sequence[float]) -> None:
        """Take a snapshot back."""
        self.quiet_s, self.seen_s, self.usual_s, keyings = saved
        self.keyings = int(keyings)


class IdleHabit:
    """The draw with the transmitter quiet: now, and as it usually is.

    Attributes:
        now_a: median of the last quarter of an hour, A; None until there is one.
        usual_a: what is usual, A: a running median that follows slowly.
        minutes: how many went into it.
    """

    __slots__ = ("_recent_a", "_rows", "_span_s", "_sum_a", "minutes", "now_a", "usual_a")

    def __init__(self) -> None:
        self.now_a: float | None = None
        self.usual_a: float | None = None
        self.minutes = 0
        self._recent_a: list[float] = []
        self._rows = 0
        self._sum_a = self._span_s = 0.0

    def fold(self, dt_s: float, draw_a: float) -> None:
        """Fold in a row with the transmitter quiet and no sun in the current."""
        self._sum_a += draw_a
        self._rows += 1
        self._span_s += dt_s
        if self._span_s >= _MINUTE_S:
            if self._rows >= _MINUTE_ROWS:
                self._fold_minute(self._sum_a / self._rows)
            self._rows, self._sum_a, self._span_s = 0, 0.0, 0.0

    def _fold_minute(self, mean_a: float) -> None:
        self._recent_a.append(mean_a)
        del self._recent_a[:-_MINUTES]
        self.now_a = median(self._recent_a)
        self.minutes += 1
        if self.usual_a is None:
            self.usual_a = mean_a
            return
        most_a = max(_FOLLOW_A, 0.1 * abs(self.usual_a) / self.minutes)
        self.usual_a += max(-most_a, min(most_a, mean_a - self.usual_a))

    def unexplained_a(self) -> float | None:
        """How far the quiet draw is above the usual one, A; None before a day of it was seen, and without it now."""
        known = self.minutes >= _DAY_MINUTES / 4.0 and len(self._recent_a) == _MINUTES
        return self.now_a - self.usual_a if known and self.now_a is not None and self.usual_a is not None else None

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {
            "now_a": self.now_a,
            "usual_a": self.usual_a,
            "minutes": self.minutes,
            "recent_a": list(self._recent_a),
            "minute": [self._rows, self._sum_a, self._span_s],
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take a snapshot back."""
        self.now_a, self.usual_a, self.minutes = saved["now_a"], saved["usual_a"], saved["minutes"]
        self._recent_a = list(saved["recent_a"])
        self._rows, self._sum_a, self._span_s = saved["minute"]
