"""What the lead between controller and bank loses: two voltmeters at its ends, over the current in it.

A straight line through the difference of the voltages over the current: its slope is the lead's
resistance with every joint in it, its height is how far the two meters are apart. So a bad lug is told
from a tired bank, which both meters would show alike.
"""

from collections.abc import Mapping
from math import sqrt

_PAIRS = 4000.0  # that count: half a day of one each 10 s
_ENOUGH = 200
_SPREAD_C = 0.01  # of the current, nameplates an hour, below which no slope can be told
_ALIKE = 10.0  # so many neighbouring pairs tell no more than one: judgement
_FIELDS = ("count", "mean_a", "mean_v", "sum_aa", "sum_av", "sum_vv")


class LeadDrop:
    """Collects pairs; older ones count less and less."""

    __slots__ = (*_FIELDS, "_spread_a")

    def __init__(self, capacity_ah: float) -> None:
        """Start with the nameplate capacity, Ah, which sets how far the current must vary."""
        self._spread_a = _SPREAD_C * capacity_ah
        self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self.count = self.mean_a = self.mean_v = self.sum_aa = self.sum_av = self.sum_vv = 0.0

    def fold(self, lead_a: float, apart_v: float) -> None:
        """Fold in a pair of one moment.

        Args:
            lead_a: current from the controller to the bank, A.
            apart_v: voltage at the controller less that at the bank, V.
        Source: weighted running means and products (West 1979, from memory), old pairs fading.
        """
        keep = 1.0 - 1.0 / _PAIRS
        self.count = self.count * keep + 1.0
        off_a, off_v = lead_a - self.mean_a, apart_v - self.mean_v
        self.mean_a += off_a / self.count
        self.mean_v += off_v / self.count
        self.sum_aa = self.sum_aa * keep + off_a * (lead_a - self.mean_a)
        self.sum_av = self.sum_av * keep + off_a * (apart_v - self.mean_v)
        self.sum_vv = self.sum_vv * keep + off_v * (apart_v - self.mean_v)

    def ohm(self) -> tuple[float, float] | None:
        """Resistance of the lead and its standard error, ohm; None while the current did not vary enough."""
        if self.count < _ENOUGH or self.sum_aa < self.count * self._spread_a**2:
            return None
        ohm = self.sum_av / self.sum_aa
        left_v2 = max(0.0, self.sum_vv - ohm * self.sum_av)
        return ohm, sqrt(_ALIKE * left_v2 / self.count / self.sum_aa)

    def apart_v(self) -> float | None:
        """How far the two meters are apart with no current, V."""
        found = self.ohm()
        return None if found is None else self.mean_v - found[0] * self.mean_a

    def snapshot(self) -> dict[str, float]:
        """Everything needed to go on, as JSON can hold it."""
        return {name: getattr(self, name) for name in _FIELDS}

    def restore(self, saved: Mapping[str, float]) -> None:
        """Take a snapshot back."""
        for name in _FIELDS:
            setattr(self, name, saved[name])
