"""The bank's resistance from the steps its transmitter makes, and whether it jumped or slowly rose.

Voltage and current must be of one instant, so both come from one reading; each keying is then a small
load test. Of quick rows two before the step and two after it count, and only steps up after a quiet time: what is
seen is then the resistance about a second into a keying, always alike. Steps are taken only while the bank
is drained before and after: under charge the same step shows another, larger resistance. What is kept is
referred to 25 C and a full bank.
"""

from collections.abc import Mapping, Sequence
from math import exp, sqrt
from typing import Any

Row = tuple[float, float, float]
"""Seconds since boot, volts, amperes of one reading."""

_STEP_C = 0.01  # nameplates an hour: the least step, a quarter of an ampere on a bank of 25 Ah,
_STEP_LEAST_A = 0.5  # and not below this
_DRAINED_C = 0.001  # at least so much is drawn before: else a charger that holds its voltage may have made up a part
_QUICK_S, _SLOW_S = 2.5, 20.0  # between the two rows of a step: a second or two, or slower and with some polarisation
_STEADY = 0.2  # of the step: two quick rows before it, and two after it, are alike so far
_QUIET_S = 30.0  # without a step before one of quick rows, so that the last keying has died away
_BATCH_QUICK, _BATCH_SLOW = 10, 20  # steps that make one resistance
_BATCH_LONGEST_S = 86_400.0  # older ones are of another bank temperature and depth
_ALONE_S = 2 * 86_400.0  # slow steps count after so long without a quick one
_ERROR_LEAST = 0.03  # of one resistance, relative: what temperature and depth leave unsure, judgement
# A cold bank conducts worse: 0.5 to 1 % for each kelvin (common practice, no source). Middle of that.
OHM_PER_K = 0.007
# Thinner acid conducts worse: a bank at half shows 25 to 60 % more than a full one (judgement of this project's
# estimator and of its simulated bank); middle of that, as a share for all of the charge gone.
OHM_PER_DEPTH = 0.85
_RECENT_SHARE = 1.0 / 3.0
_BEFORE_S = 7 * 86_400.0  # what was usual before follows in a week
_FIRST = 5  # resistances that make the first one, against which a slow rise is told
_ROWS = ("_last", "_second", "_third")
_FIELDS = (
    "_amps2", "_began_s", "_count", "_edge_s", "_first_n", "_quick", "_quick_s", "_volts2", "_volts_amps", "before_ohm",
    "first_ohm", "folded_s", "recent_ohm", "recent_sigma",
)  # fmt: skip


class KeyingOhm:
    """Follows the resistance seen by keying steps, ohm of the whole bank at 25 C and full.

    Attributes:
        recent_ohm, recent_sigma: of the last few batches of steps, and its relative standard error; None before.
        before_ohm: as it was usual in the week before.
        first_ohm: as it was when it was seen first.
        folded_s: when the last batch came in, seconds since boot.
    """

    __slots__ = (*_FIELDS, *_ROWS, "_drained_a", "_step_a")

    def __init__(self, capacity_ah: float) -> None:
        """Start with the nameplate capacity, Ah, which sets the least step of current."""
        self._step_a = max(_STEP_LEAST_A, _STEP_C * capacity_ah)
        self._drained_a = -_DRAINED_C * capacity_ah
        self.clear()

    def clear(self) -> None:
        """Forget everything: another bank."""
        self.recent_ohm: float | None = None
        self.recent_sigma = 0.0
        self.before_ohm: float | None = None
        self.first_ohm: float | None = None
        self.folded_s = 0.0
        self._first_n = 0
        self._quick = False
        self._quick_s = 0.0
        self._edge_s = 0.0
        self._last: Row | None = None
        self._second: Row | None = None
        self._third: Row | None = None
        self._clear_batch()

    def _clear_batch(self) -> None:
        self._volts_amps = self._amps2 = self._volts2 = self._began_s = 0.0
        self._count = 0

    def step(self, at_s: float, bank_v: float, bank_a: float) -> bool:
        """Fold in voltage (V) and current (A) of one reading; True when a batch is full and `fold` is due."""
        last, second = self._last, self._second
        if last is not None and second is not None:
            step_a = last[2] - second[2]
            if step_a > self._step_a or step_a < -self._step_a:
                self._edge((at_s, bank_v, bank_a), last, second)
        self._third, self._second, self._last = second, last, (at_s, bank_v, bank_a)
        return self._count >= (_BATCH_QUICK if self._quick else _BATCH_SLOW)

    def _edge(self, now: Row, last: Row, second: Row) -> None:
        """There is a step between the second and the last row."""
        dt_s, step_a, step_v = last[0] - second[0], last[2] - second[2], last[1] - second[1]
        if max(last[2], second[2]) > self._drained_a or not 0.0 < dt_s <= _SLOW_S:
            return
        quick = dt_s <= _QUICK_S
        if quick:
            quiet_s, self._edge_s = last[0] - self._edge_s, last[0]
            third = self._third
            if step_a > 0.0 or quiet_s < _QUIET_S or third is None or now[0] - third[0] > 4.0 * _QUICK_S:
                return
            if max(abs(now[2] - last[2]), abs(second[2] - third[2])) > _STEADY * abs(step_a):
                return
            step_v = 0.5 * (now[1] + last[1] - second[1] - third[1])
            step_a = 0.5 * (now[2] + last[2] - second[2] - third[2])
            self._quick_s = last[0]
        elif self._quick and last[0] - self._quick_s < _ALONE_S:
            return
        self._collect(last[0], step_v, step_a, quick)

    def _collect(self, at_s: float, step_v: float, step_a: float, quick: bool) -> None:
        if quick != self._quick:  # another kind of step, another resistance: it can't be held against the old one
            rows, quick_s = (self._last, self._second, self._third), self._quick_s
            self.clear()
            self._quick, self._quick_s = quick, quick_s
            self._last, self._second, self._third = rows
        if self._count and at_s - self._began_s > _BATCH_LONGEST_S:
            self._clear_batch()
        if not self._count:
            self._began_s = at_s
        self._volts_amps += step_v * step_a
        self._amps2 += step_a * step_a
        self._volts2 += step_v * step_v
        self._count += 1

    def fold(self, at_s: float, bank_c: float, soc_frac: float) -> float | None:
        """Make one resistance of the batch.

        Args:
            at_s: seconds since boot.
            bank_c: temperature of the bank, C.
            soc_frac: its charge, 0 to 1.
        Returns: the resistance at 25 C and full, ohm; None when the steps make none.
        """
        count, amps2, ohm = self._count, self._amps2, self._volts_amps / self._amps2
        left_v2 = max(0.0, self._volts2 - ohm * self._volts_amps)
        self._clear_batch()
        if ohm <= 0.0:
            return None
        error = sqrt(left_v2 / max(1, count - 1) / amps2) / ohm
        ohm /= (1.0 - OHM_PER_K * (min(50.0, max(-30.0, bank_c)) - 25.0)) * (1.0 + OHM_PER_DEPTH * (1.0 - soc_frac))
        self._follow(at_s, ohm, max(_ERROR_LEAST, error))
        return ohm

    def _follow(self, at_s: float, ohm: float, error: float) -> None:
        if self.recent_ohm is None or self.before_ohm is None or self.first_ohm is None:
            self.recent_ohm = self.before_ohm = self.first_ohm = ohm
            self.recent_sigma, self._first_n = error, 1
        else:
            self._first_n += 1
            if self._first_n <= _FIRST:
                self.first_ohm += (ohm - self.first_ohm) / self._first_n
            share = 1.0 - exp(-max(0.0, at_s - self.folded_s) / _BEFORE_S)
            self.before_ohm += (ohm - self.before_ohm) * (1.0 / self._first_n if self._first_n <= _FIRST else share)
            self.recent_ohm += (ohm - self.recent_ohm) * _RECENT_SHARE
            kept, new = (1.0 - _RECENT_SHARE) * self.recent_sigma, _RECENT_SHARE * error
            self.recent_sigma = sqrt(kept * kept + new * new)
        self.folded_s = at_s

    @property
    def is_quick(self) -> bool:
        """Whether it is from steps of a second or two, and so nearest to the plain resistance."""
        return self._quick

    def jump(self) -> float | None:
        """How far the newest is above the week before, as a share; None before enough was seen."""
        return self._above(self.before_ohm)

    def rise(self) -> float | None:
        """How far the newest is above the first, as a share; None before enough was seen."""
        return self._above(self.first_ohm)

    def _above(self, ohm: float | None) -> float | None:
        if ohm is None or self.recent_ohm is None or self._first_n < _FIRST:
            return None
        return self.recent_ohm / ohm - 1.0

    def shift(self, by_s: float) -> None:
        """Seconds since boot have started over: what was keeps its age."""
        self._last = self._second = self._third = None
        self.folded_s += by_s
        self._began_s += by_s
        self._quick_s += by_s
        self._edge_s += by_s

    def snapshot(self) -> list[object]:
        """Everything needed to go on, as JSON can hold it."""
        rows = [None if row is None else list(row) for row in (self._last, self._second, self._third)]
        return [rows, *(getattr(self, name) for name in _FIELDS)]

    def restore(self, saved: Sequence[Any]) -> None:
        """Take a snapshot back."""
        rows, *rest = saved
        for name, row in zip(_ROWS, rows, strict=True):
            setattr(self, name, None if row is None else tuple(row))
        for name, value in zip(_FIELDS, rest, strict=True):
            setattr(self, name, value)

    def report(self) -> Mapping[str, float | bool | None]:
        """The figures, ohm and shares."""
        sigma_ohm = None if self.recent_ohm is None else self.recent_sigma * self.recent_ohm
        return {
            "ohm": self.recent_ohm,
            "ohm_sigma": sigma_ohm,
            "ohm_before": self.before_ohm,
            "ohm_first": self.first_ohm,
            "ohm_jump": self.jump(),
            "ohm_rise": self.rise(),
            "ohm_at_s": None if self.recent_ohm is None else self.folded_s,
            "ohm_quick": self._quick,
        }
