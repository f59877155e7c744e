"""The bank's resistance from the steps its own transmitter makes: each keying is a small load test."""

from collections.abc import Mapping

_STEP_C = 0.04  # nameplates an hour: 1 A on a bank of 25 Ah
_SHORTEST_S = 5.0  # rows nearer together show less of the resistance, which still builds up over some seconds
_LONGEST_S = 20.0
_ENOUGH = 25
_FIELDS = ("last_v", "last_a", "since_s", "volts_amps", "amps2", "count")


class KeyingEdges:
    """Collect steps of voltage over steps of current between two rows in the dark.

    Attributes:
        count: steps since the last `take`.
    """

    __slots__ = ("amps2", "count", "last_a", "last_v", "since_s", "step_a", "volts_amps")

    def __init__(self, capacity_ah: float) -> None:
        """Start with the nameplate capacity, Ah, which sets the least step of current."""
        self.step_a = _STEP_C * capacity_ah
        self.last_v: float | None = None
        self.last_a = 0.0
        self.since_s = 0.0
        self.clear()

    def clear(self) -> None:
        """Forget the steps collected so far."""
        self.volts_amps = 0.0
        self.amps2 = 0.0
        self.count = 0

    def step(self, dt_s: float, bank_v: float | None, bank_a: float | None) -> None:
        """Fold one row of the dark in: bank_v and bank_a of one instant."""
        if bank_v is None or bank_a is None:
            self.last_v = None
            return
        self.since_s += dt_s
        if self.last_v is not None and self.since_s < _SHORTEST_S:
            return
        if self.last_v is not None and self.since_s <= _LONGEST_S:
            step_a = bank_a - self.last_a
            if step_a > self.step_a or step_a < -self.step_a:
                self.volts_amps += step_a * (bank_v - self.last_v)
                self.amps2 += step_a * step_a
                self.count += 1
        self.last_v = bank_v
        self.last_a = bank_a
        self.since_s = 0.0

    def ready(self) -> bool:
        """True when enough steps are in for a resistance worth having."""
        return self.count >= _ENOUGH

    def take_ohm(self) -> float:
        """Resistance of the steps collected (least squares through nothing), ohm; starts anew."""
        ohm = self.volts_amps / self.amps2
        self.clear()
        return ohm

    def snapshot(self) -> dict[str, float | int | None]:
        """Everything needed to go on, as JSON can hold it."""
        return {name: getattr(self, name) for name in _FIELDS}

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back."""
        for name in _FIELDS:
            setattr(self, name, saved[name])
