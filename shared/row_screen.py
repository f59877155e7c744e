"""What of a row may be believed: single absurd values and frozen rows are kept from the filter."""

from collections.abc import Mapping
from math import inf

_STILL_S = 110.0  # noise moves the last digit of something sooner than this, on an instrument worth its digits
_STILL_ROWS = 6


class SpikeScreen:
    """Let a quantity pass unless it jumps and jumps back.

    A value further than `jump` from the last good one is held back; if the next one agrees with it,
    the quantity really moved.
    """

    __slots__ = ("doubt", "jump", "last")

    def __init__(self, jump: float) -> None:
        """Start with the largest believable change between two rows, in the quantity's unit."""
        self.jump = jump
        self.last = inf  # nothing seen yet, so nothing is near it
        self.doubt: float | None = None

    def passed(self, value: float) -> float | None:
        """The value when it may be believed, else None."""
        last = self.last
        if last == inf or -self.jump <= value - last <= self.jump:
            self.last = value
            self.doubt = None
            return value
        doubt = self.doubt
        if doubt is not None and -self.jump <= value - doubt <= self.jump:
            self.last = value
            self.doubt = None
            return value
        self.doubt = value
        return None

    def snapshot(self) -> list[float | None]:
        """Everything needed to go on, as JSON can hold it."""
        return [None if self.last == inf else self.last, self.doubt]

    def restore(self, saved: list[float | None]) -> None:
        """Take a snapshot back."""
        last, self.doubt = saved
        self.last = inf if last is None else last


class FreezeWatch:
    """Tell when voltage, current and counter all stand still although charge should be flowing.

    Attributes:
        frozen: the newest row is old news.
    """

    __slots__ = ("bank_a", "bank_v", "counter_ah", "frozen", "least_ah", "rows", "still_s")

    def __init__(self, least_ah: float) -> None:
        """Start with the charge that must move the counter, Ah."""
        self.least_ah = least_ah
        self.bank_v: float | None = None
        self.bank_a: float | None = None
        self.counter_ah: float | None = None
        self.still_s = 0.0
        self.rows = 0
        self.frozen = False

    def moved(self, bank_v: float | None, bank_a: float | None, counter_ah: float | None) -> None:
        """Take a row that is not like the one before."""
        self.bank_v, self.bank_a, self.counter_ah = bank_v, bank_a, counter_ah
        if self.rows:
            self.still_s = 0.0
            self.rows = 0
            self.frozen = False

    def still(self, dt_s: float) -> bool:
        """Take a row that is just like the one before, `dt_s` later; True when it is frozen."""
        self.still_s += dt_s
        self.rows += 1
        self.frozen = self.rows >= _STILL_ROWS and self.still_s >= _STILL_S and self._should_move()
        return self.frozen

    def step(self, dt_s: float, bank_v: float | None, bank_a: float | None, counter_ah: float | None) -> bool:
        """Fold one row in; True when it is frozen."""
        if bank_v != self.bank_v or bank_a != self.bank_a or counter_ah != self.counter_ah:
            self.moved(bank_v, bank_a, counter_ah)
            return False
        return self.still(dt_s)

    def _should_move(self) -> bool:
        """With a counter, the current says when it should have moved; without, ten minutes are enough."""
        if self.bank_a is None:
            return False
        if self.counter_ah is None:
            return self.still_s > 600.0
        return abs(self.bank_a) * self.still_s / 3600.0 > self.least_ah

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {name: getattr(self, name) for name in self.__slots__ if name != "least_ah"}

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back."""
        for name, value in saved.items():
            setattr(self, name, value)
