"""Charge counted between two rows: from the shunt's own Ah counter where it has one, else from the current.

The counter sees every second that a sampled current misses, and goes on through gaps, restarts and frozen
rows, so its difference is taken whenever it can be true. It can't be true when the bank could not have
moved that much in the time: then the counter was reset, and the current bridges that one step.
"""

from collections.abc import Mapping

_SLACK_AH_FRAC = 0.0008  # of the nameplate: resolution of the counter and a few seconds' doubt about the time
_NEAR_ZERO_FRAC = 0.001  # of the nameplate: a counter this near 0 may have been reset
_HARDEST_C = 0.7  # no bank of this kind of site is charged or drained faster, in nameplates an hour
_BLIND_C = 0.012  # mean current that may have flowed unseen, nameplates an hour
_LONGEST_HOLD_S = 180.0  # a sampled current stands for no longer than this
_STUCK_FRAC = 0.02  # a counter that stood still while this much flowed is broken
_FIELDS = ("counter_ah", "quiet_s", "owed_ah", "given_ah", "last_a", "variance_ah2", "stuck")


class AhCount:
    """Ah since the row before, and how far to trust it.

    Attributes:
        variance_ah2: variance of what `advance` gave last, Ah squared.
        owed_ah: counted by the current while the counter stood still, Ah.
        given_ah: counted by the current while the counter was missing, to be taken off when it is back, Ah.
    """

    __slots__ = (
        "capacity_ah", "counter_ah", "given_ah", "hardest_a", "last_a", "near_ah", "owed_ah", "quiet_s", "slack_ah",
        "stuck", "variance_ah2",
    )  # fmt: skip

    def __init__(self, capacity_ah: float) -> None:
        """Start with the nameplate capacity, Ah, as the scale of what can be true."""
        self.capacity_ah = capacity_ah
        self.slack_ah = _SLACK_AH_FRAC * capacity_ah
        self.hardest_a = _HARDEST_C * capacity_ah / 3600.0
        self.near_ah = _NEAR_ZERO_FRAC * capacity_ah
        self.counter_ah: float | None = None
        self.quiet_s = 0.0
        self.owed_ah = 0.0
        self.given_ah = 0.0
        self.last_a: float | None = None
        self.variance_ah2 = 0.0
        self.stuck = False

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {name: getattr(self, name) for name in _FIELDS}

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back."""
        for name in _FIELDS:
            setattr(self, name, saved[name])

    def advance(self, dt_s: float, bank_a: float | None, counter_ah: float | None, frozen: bool) -> float:
        """Ah that went in since the row before (negative: out).

        Args:
            dt_s: seconds since the row before, above 0.
            bank_a: current now, A, None when missing or not to be believed.
            counter_ah: the shunt's counter, Ah, None when missing.
            frozen: nothing of the row moves any more, so its current is old.
        """
        last_ah = self.counter_ah
        if counter_ah is None or last_ah is None or self.stuck:
            return self._by_current(dt_s, bank_a, counter_ah, frozen)
        self.quiet_s += dt_s
        moved_ah = counter_ah - last_ah
        if moved_ah == 0.0:
            self.variance_ah2 = 0.0
            if bank_a is not None and not frozen:
                self.owed_ah += bank_a * dt_s / 3600.0
                if abs(self.owed_ah) > _STUCK_FRAC * self.capacity_ah:
                    return self._give_up()
            return 0.0
        most_ah = self.slack_ah + self.hardest_a * self.quiet_s
        near_ah = self.near_ah
        if not -most_ah <= moved_ah <= most_ah or (
            -near_ah <= counter_ah <= near_ah and self._looks_reset(counter_ah, last_ah, bank_a)
        ):
            return self._after_reset(dt_s, bank_a, counter_ah)
        self.counter_ah = counter_ah
        self.quiet_s = self.owed_ah = self.variance_ah2 = 0.0
        self.last_a = bank_a
        if self.given_ah != 0.0:
            moved_ah -= self.given_ah
            self.given_ah = 0.0
        return moved_ah

    def _looks_reset(self, counter_ah: float, last_ah: float, bank_a: float | None) -> bool:
        """True when the counter, which is near 0, was not, and the current does not explain it."""
        if abs(last_ah) < 0.004 * self.capacity_ah:
            return False
        flowed_ah = self.owed_ah if bank_a is None else bank_a * self.quiet_s / 3600.0
        unexplained = abs(counter_ah - last_ah - flowed_ah)
        return self.quiet_s < 900.0 and unexplained > self.capacity_ah * (0.001 + 0.08 * self.quiet_s / 3600.0)

    def _after_reset(self, dt_s: float, bank_a: float | None, counter_ah: float) -> float:
        self.counter_ah = counter_ah
        self.given_ah = 0.0
        a = bank_a if self.last_a is None or bank_a is None else (bank_a + self.last_a) / 2.0
        unseen_s = self.quiet_s
        self.quiet_s = 0.0
        self.owed_ah = 0.0
        self.variance_ah2 = (0.05 * self.capacity_ah * unseen_s / 3600.0) ** 2
        return 0.0 if a is None else a * min(unseen_s, _LONGEST_HOLD_S) / 3600.0

    def _give_up(self) -> float:
        self.stuck = True
        owed_ah, self.owed_ah = self.owed_ah, 0.0
        self.variance_ah2 = (0.1 * owed_ah) ** 2
        return owed_ah

    def _by_current(self, dt_s: float, bank_a: float | None, counter_ah: float | None, frozen: bool) -> float:
        if self.stuck and counter_ah is not None and counter_ah != self.counter_ah:
            self.stuck = False
        before_a, self.last_a = self.last_a, bank_a
        awaited = counter_ah is None and self.counter_ah is not None and not self.stuck
        if awaited:
            self.quiet_s += dt_s
        elif not self.stuck:
            self.counter_ah, self.quiet_s = counter_ah, 0.0
        if frozen or bank_a is None or dt_s > _LONGEST_HOLD_S:
            self.variance_ah2 = (_BLIND_C * self.capacity_ah * dt_s / 3600.0) ** 2
            return 0.0
        a = bank_a if before_a is None else (bank_a + before_a) / 2.0
        swing_a = 0.0 if before_a is None else bank_a - before_a
        self.variance_ah2 = (0.3 * swing_a * swing_a + 1e-6 * self.capacity_ah**2) * (dt_s / 3600.0) ** 2
        went_ah = a * dt_s / 3600.0
        if awaited:
            self.given_ah += went_ah
        return went_ah
