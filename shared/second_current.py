"""The shunt held against the controller's own currents: two instruments that disagree make a charge less sure.

What the controller charges less what its load output takes is the bank's current but for loads wired
straight to the bank, which draw alike by day and by night. So the gap at night is such a draw, and what
the gap changes by in charging is an error of gain in one of the two.
"""

from collections.abc import Mapping

_CHARGING_C = 0.03  # charge current over nameplate and hour above which gains can be told apart
_DARK_C = 0.001  # and below which nothing charges
_LEAST_C_H = 0.04  # charge, in nameplates, and
_LEAST_H = 3.0  # dark hours, before anything is told
_FIELDS = ("charge_ah", "gap_ah", "charge_h", "dark_gap_ah", "dark_h")


class SecondCurrent:
    """Charge by both instruments, in charging and in the dark, since the last `take`."""

    __slots__ = (*_FIELDS, "_charging_a", "_dark_a", "_least_ah")

    def __init__(self, capacity_ah: float) -> None:
        """Start with the nameplate capacity, Ah, as the scale."""
        self._charging_a = _CHARGING_C * capacity_ah
        self._dark_a = _DARK_C * capacity_ah
        self._least_ah = _LEAST_C_H * capacity_ah
        self.clear()

    def clear(self) -> None:
        """Forget what was collected."""
        self.charge_ah = self.gap_ah = self.charge_h = self.dark_gap_ah = self.dark_h = 0.0

    def step(self, dt_s: float, bank_a: float, charge_a: float, load_a: float) -> None:
        """Fold in the currents of one row, A, which stand for `dt_s` seconds."""
        hours = dt_s / 3600.0
        gap_ah = (charge_a - load_a - bank_a) * hours
        if charge_a > self._charging_a:
            self.charge_ah += charge_a * hours
            self.gap_ah += gap_ah
            self.charge_h += hours
        elif charge_a < self._dark_a:
            self.dark_gap_ah += gap_ah
            self.dark_h += hours

    def take(self) -> tuple[float, float] | None:
        """Tell how far the two are apart, once there is enough of both, and start anew.

        Returns: (share of the charge that only one of them saw, signed; A that the controller's load output
            draws beyond what the shunt saw leave in the dark, at least 0), or None.
        """
        if self.charge_ah < self._least_ah or self.dark_h < _LEAST_H:
            return None
        steady_a = self.dark_gap_ah / self.dark_h
        share = (self.gap_ah - steady_a * self.charge_h) / self.charge_ah
        self.clear()
        return share, max(0.0, -steady_a)

    def snapshot(self) -> dict[str, float]:
        """Everything needed to go on, as JSON can hold it."""
        return {name: getattr(self, name) for name in _FIELDS}

    def restore(self, saved: Mapping[str, float]) -> None:
        """Take a snapshot back."""
        for name in _FIELDS:
            setattr(self, name, saved[name])
