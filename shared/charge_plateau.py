"""The voltage at which the charger really holds the bank, learned from the bank itself.

A charger that regulates shows it: the voltage stands still while the current falls. The highest such
plateau of a day is its absorption voltage, held against the site file at the charger's temperature, and
against what the chemistry needs at the bank's.
"""

from collections.abc import Mapping, Sequence
from statistics import median
from types import MappingProxyType
from typing import Any

from attrs import astuple, frozen

from shared.site import Bank

_MINUTES = 20
_THIRD = 7
_STILL_V_CELL = 0.040 / 6  # all of the twenty minutes lie within this, but for a tenth
_LEVEL_V_CELL = 0.020 / 6  # and their ends are no further apart
_FALLS = 0.10  # of the current, over that time
_FALLS_C = 0.002  # and nameplates an hour
# Below its float voltage no charger holds a bank; what stands still there is a weak sun going down.
_LEAST_V_CELL = MappingProxyType({"lifepo4": 3.35})
_LEAST_LEAD_V_CELL, _LEAST_PER_K_CELL = 2.25, -0.004
_DAYS = 7
_DAYS_ENOUGH = 3  # with a plateau, before the lack of a higher one means something

# Absorption voltage at 25 C, V a cell: flooded 2.40-2.47 (2.40 verified on pages that reprint a battery-education
# article), AGM 14.4-14.7 and gel 14.1-14.4 for six cells, LiFePO4 3.45-3.65 (3.65 verified): the rest from memory.
NEEDED_V_CELL: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "flooded": (2.40, 2.47),
        "agm": (2.40, 2.45),
        "gel": (2.35, 2.40),
        "lifepo4": (3.45, 3.65),
    }
)
# Lead-acid needs 3 (verified) to 5 (makers, from memory) mV less a cell for each kelvin; lithium the same at each.
_PER_K_CELL = (0.003, 0.005)


@frozen
class Plateau:
    """One plateau.

    Attributes:
        at_s: when it was seen last, seconds since boot.
        charger_v, charger_c: at the charger, V and C.
        bank_v, bank_c: at the bank, V and C.
    """

    at_s: float
    charger_v: float
    charger_c: float
    bank_v: float
    bank_c: float


def needed_v(bank: Bank, bank_c: float) -> tuple[float, float]:
    """What absorption voltage the chemistry needs at a temperature (C): at the least and the most, V of the bank."""
    low, high = (bank.cells * volts for volts in NEEDED_V_CELL[bank.chemistry])
    if bank.chemistry == "lifepo4":
        return low, high
    colder = 25.0 - min(50.0, max(-20.0, bank_c))
    slopes = [bank.cells * slope * colder for slope in _PER_K_CELL]
    return low + min(slopes), high + max(slopes)


def off_v(bank: Bank, plateau: Plateau) -> tuple[float, float]:
    """How far a plateau is off, V above zero if too high: against the site file, and against the chemistry's band."""
    set_v = bank.absorb_v + bank.charge_v_per_k * (plateau.charger_c - 25.0)
    low_v, high_v = needed_v(bank, plateau.bank_c)
    outside_v = max(0.0, plateau.bank_v - high_v) + min(0.0, plateau.bank_v - low_v)
    return plateau.charger_v - set_v, outside_v


class ChargePlateau:
    """Looks for the plateau, minute by minute, and keeps the highest of each of the last days.

    Attributes:
        today: the highest of today; None before one was seen. days: those of the last days that had one.
    """

    __slots__ = ("_bank", "_off_v", "_rows", "days", "today")

    def __init__(self, bank: Bank) -> None:
        """Start with the bank as in the site file."""
        self._bank = bank
        self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self._rows: list[tuple[float, float, float]] = []
        self.today: Plateau | None = None
        self.days: list[Plateau] = []
        self._off_v: float | None = None

    def fold(
        self, at_s: float, charger_v: float, bank_v: float, bank_a: float, charger_c: float, bank_c: float
    ) -> None:
        """Fold in one minute of daylight; V, A charging above zero, C."""
        if charger_v < self._least_v(charger_c):
            self._rows.clear()
            return
        self._rows.append((charger_v, bank_a, bank_v))
        if len(self._rows) < _MINUTES:
            return
        del self._rows[:-_MINUTES]
        volts = [row[0] for row in self._rows]
        if self._is_held(volts, [row[1] for row in self._rows]):
            plateau = Plateau(at_s, median(volts), charger_c, median(row[2] for row in self._rows), bank_c)
            if self.today is None or self._height(plateau) >= self._height(self.today):
                self.today = plateau
                self._off_v = self._judged_v()

    def _least_v(self, charger_c: float) -> float:
        lead_v_cell = _LEAST_LEAD_V_CELL + _LEAST_PER_K_CELL * (charger_c - 25.0)
        return self._bank.cells * _LEAST_V_CELL.get(self._bank.chemistry, lead_v_cell)

    def _is_held(self, volts: Sequence[float], amps: Sequence[float]) -> bool:
        cells = self._bank.cells
        ordered = sorted(volts)
        if ordered[-2] - ordered[1] > _STILL_V_CELL * cells:
            return False
        if abs(median(volts[-_THIRD:]) - median(volts[:_THIRD])) > _LEVEL_V_CELL * cells:
            return False
        first_a, last_a = median(amps[:_THIRD]), median(amps[-_THIRD:])
        return first_a - last_a >= max(_FALLS * first_a, _FALLS_C * self._bank.capacity_ah)

    def pause(self) -> None:
        """Minutes are missing, or it is dark: what follows is no continuation."""
        self._rows.clear()

    def _height(self, plateau: Plateau) -> float:
        return plateau.charger_v - self._bank.charge_v_per_k * (plateau.charger_c - 25.0)

    def end_day(self) -> None:
        """A day is over."""
        if self.today is not None:
            self.days.append(self.today)
            del self.days[:-_DAYS]
            self.today = None
            self._off_v = self._judged_v()

    def found(self) -> Plateau | None:
        """The highest plateau of the last days at 25 C; None before one was seen."""
        known = [*self.days, *([self.today] if self.today is not None else [])]
        return max(known, key=self._height, default=None)

    def off_v(self) -> float | None:
        """How far the absorption voltage is off, V of the bank, above zero if too high; None before one was seen.

        Too high counts by the newest day. Too low counts only when no day of several showed a higher plateau: a
        charger may have held its float voltage.
        """
        return self._off_v

    def _judged_v(self) -> float | None:
        """What `off_v` tells until another plateau is seen or a day ends."""
        found, newest = self.found(), self.today or (self.days[-1] if self.days else None)
        if found is None or newest is None:
            return None
        high_v = max(0.0, *off_v(self._bank, newest))
        low_v = min(0.0, *off_v(self._bank, found)) if len(self.days) >= _DAYS_ENOUGH else 0.0
        return max(high_v, low_v, key=abs)

    def shift(self, by_s: float) -> None:
        """Seconds since boot have started over: what was keeps its age."""
        self._rows.clear()
        self.days = [_moved(plateau, by_s) for plateau in self.days]
        self.today = None if self.today is None else _moved(self.today, by_s)

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        today = None if self.today is None else list(astuple(self.today))
        days = [list(astuple(plateau)) for plateau in self.days]
        return {"rows": [list(row) for row in self._rows], "today": today, "days": days}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take a snapshot back."""
        self._rows = [(row[0], row[1], row[2]) for row in saved["rows"]]
        self.today = None if saved["today"] is None else Plateau(*saved["today"])
        self.days = [Plateau(*row) for row in saved["days"]]
        self._off_v = self._judged_v()


def _moved(row: Plateau, by_s: float) -> Plateau:
    return Plateau(row.at_s + by_s, row.charger_v, row.charger_c, row.bank_v, row.bank_c)
