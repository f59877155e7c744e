"""When the charger holds the voltage at its absorption set-point: then the current speaks, not the voltage.

The set-point is judged at the temperature the charger itself sees, with the site's slope.
"""

from collections.abc import Mapping
from typing import Any

from shared.site import Bank

_WINDOW_V_CELL = 0.10 / 6  # offset of the meter and of the set-point, a kelvin or two, drop in the leads
_RESTLESS_V_CELL = 0.06 / 6  # more movement inside a minute is no regulation
_NEAR = 3.0  # times the window below the set-point: minutes away, not more
_LOST = 4.0  # a minute of cloud or keying undoes this many of holding
_CREEP_V_CELL = 0.020 / 6  # a voltage that moves further than this is still rising
_SETTLE_S = 600.0  # after the plateau begins, fast polarisation still feeds the current


class Regulation:
    """Follow, span by span, whether the bank is held at absorption.

    Attributes:
        held_s: how long it has been, s; 0 when not.
        near: the voltage is so near the set-point that it is worth a look each minute.
    """

    __slots__ = ("_bank", "above_v", "held_s", "near")

    def __init__(self, bank: Bank) -> None:
        """Start with the charger's set-points as the site file gives them."""
        self._bank = bank
        self.held_s = 0.0
        self.above_v = 0.0
        self.near = True

    def set_point_v(self, charger_c: float) -> float:
        """Absorption voltage of the whole bank at the charger's temperature (C), V."""
        return self._bank.absorb_v + self._bank.charge_v_per_k * (charger_c - 25.0)

    def step(self, dt_s: float, mean_v: float, spread_v: float, charger_c: float, doubt_k: float = 0.0) -> bool:
        """Fold one span in; True when the accepted current can be read.

        Args:
            dt_s: s. mean_v, spread_v: mean and greatest less least voltage of the span, V.
            charger_c: temperature by which the charger goes, C. doubt_k: how far off that may be, K.
        """
        cells = self._bank.cells
        window_v = _WINDOW_V_CELL * cells + abs(self._bank.charge_v_per_k) * doubt_k
        above_v = mean_v - self.set_point_v(charger_c)
        self.near = above_v > -_NEAR * window_v
        if abs(above_v) > window_v or spread_v > _RESTLESS_V_CELL * cells:
            self.held_s = max(0.0, self.held_s - _LOST * dt_s)
            return False
        if self.held_s == 0.0 or abs(above_v - self.above_v) > _CREEP_V_CELL * cells:
            self.above_v = above_v
            self.held_s = 0.0
        self.held_s += dt_s
        return self.held_s > _SETTLE_S

    def snapshot(self) -> dict[str, float | bool]:
        """Everything needed to go on, as JSON can hold it."""
        return {"held_s": self.held_s, "above_v": self.above_v, "near": self.near}

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take a snapshot back."""
        self.held_s = saved["held_s"]
        self.above_v = saved["above_v"]
        self.near = saved["near"]
