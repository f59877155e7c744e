"""The virtual charge controller: takes what the panel gives, holds absorption and float, guards the load output."""

from dataclasses import dataclass
from math import log

from drivers.virtual.bank import VirtualBank

OUT_AFTER_S = 60.0  # how long the voltage must stay beyond a limit before the load output switches


@dataclass(frozen=True, slots=True)
class ControllerSettings:
    """What a controller is set to, for the whole bank at 25 C.

    Attributes:
        absorb_v, float_v: set-points, V.
        charge_v_per_k: their temperature slope, V/K, judged at the controller's own temperature.
        absorb_s: time at the absorption voltage after which it goes to float, s.
        cut_v, back_v: load output off below, on again above, V.
        efficiency: of the conversion, 0 to 1.
        own_a: what it draws itself, A.
    """

    absorb_v: float = 14.4
    float_v: float = 13.7
    charge_v_per_k: float = -0.024
    absorb_s: float = 9000.0
    cut_v: float = 11.1
    back_v: float = 12.6
    efficiency: float = 0.95
    own_a: float = 0.009


class VirtualController:
    """A controller that tracks the panel's best point.

    Attributes:
        stage: "night", "bulk", "absorption" or "float".
        bank_v: at its own terminals, V: the bank's plus the drop of the lead between them.
        charge_a: into the bank's wires, A; below zero is backflow at night.
        panel_v, panel_w: at the panel's terminals.
        load_on: whether the load output is on.
        cuts: how often the load output was switched off for low voltage.
        absorbed_s: time spent at the absorption voltage since dawn, s.
    """

    def __init__(self, settings: ControllerSettings, *, bank_v: float) -> None:
        self.settings = settings
        self.stage = "night"
        self.bank_v = bank_v
        self.charge_a = 0.0
        self.panel_v = 0.0
        self.panel_w = 0.0
        self.load_on = True
        self.cuts = 0
        self.absorbed_s = 0.0
        self.backflow_a = 0.0  # a blocking part that fails: what runs back into a dark panel
        self.blocked = False  # a controller that does not charge although there is sun
        self._target_v = settings.absorb_v
        self._shift_v = 0.0
        self._panel_c = 20.0
        self._sun_w = 0.0
        self._beyond_s = 0.0
        self._low_s = 0.0

    def look(self, *, sun_w: float, panel_c: float, controller_c: float, shift_v: float = 0.0) -> None:
        """Take the slow surroundings: what the panel could give (W), temperatures (C), a wrong set-point (V).

        Called about once a simulated minute.
        """
        self._sun_w = sun_w
        self._panel_c = panel_c
        self._shift_v = self.settings.charge_v_per_k * (controller_c - 25.0) + shift_v
        if sun_w < 0.05:
            self.stage, self.absorbed_s = "night", 0.0
        elif self.stage == "night":
            self.stage = "bulk"
        self._set_target()

    def step(self, bank: VirtualBank, load_a: float, direct_a: float, lead_ohm: float, dt_s: float) -> float:
        """Settle the currents for a piece of time in which the loads are steady, and run the bank through it.

        Args:
            bank: charged or drained by what comes out.
            load_a: on the load output, A; what is wired to the bank is `direct_a`, A.
            lead_ohm: of the lead between controller and bank, ohm.
            dt_s: length of the piece, s.
        Returns: the bank's mean current over the piece, A.
        """
        could_a = self._could_a()
        bank_a = could_a - load_a - direct_a
        if could_a > 0.0:
            end_v = bank.trial_v(bank_a, dt_s) + (bank_a + direct_a) * lead_ohm
            if end_v > self._target_v:
                held_a = bank.current_for(self._target_v, dt_s, lead_ohm, direct_a, self.charge_a - load_a - direct_a)
                bank_a = min(bank_a, max(held_a, -load_a - direct_a))
        bank.step(bank_a, dt_s)
        self.charge_a = bank_a + load_a + direct_a if could_a > 0.0 else could_a
        self.bank_v = bank.bank_v + (bank_a + direct_a) * lead_ohm
        self._panel_side()
        self._next_stage(dt_s)
        self._guard(dt_s)
        return bank_a

    def _could_a(self) -> float:
        if self.stage == "night":
            return -self.backflow_a
        return 0.0 if self.blocked else self.settings.efficiency * self._sun_w / max(self.bank_v, 1.0)

    def _set_target(self) -> None:
        base_v = self.settings.float_v if self.stage == "float" else self.settings.absorb_v
        self._target_v = base_v + self._shift_v

    def _panel_side(self) -> None:
        """A panel held off its best point goes up towards its open voltage; a dark one sinks to nothing."""
        warm = 1.0 - 0.0040 * (self._panel_c - 25.0)
        if self._sun_w < 0.05:
            self.panel_w = 0.0
            self.panel_v = self.bank_v - 0.3 if self.backflow_a else 12.0 * self._sun_w
            return
        self.panel_w = max(0.0, self.charge_a) * self.bank_v / self.settings.efficiency
        best_v = max(8.0, (17.6 + 0.35 * log(self._sun_w / 30.0)) * warm)
        idle = max(0.0, 1.0 - self.panel_w / self._sun_w)
        self.panel_v = best_v + 4.2 * idle**0.5 * warm

    def _next_stage(self, dt_s: float) -> None:
        if self.stage == "night":
            return
        if self.stage == "float":
            self._low_s = self._low_s + dt_s if self.bank_v < self.settings.float_v - 0.8 else 0.0
            if self._low_s > 600.0:
                self._low_s, self.absorbed_s, self.stage = 0.0, 0.0, "bulk"
                self._set_target()
            return
        held = self.bank_v >= self._target_v - 0.05
        self.stage = "absorption" if held else "bulk"
        if held:
            self.absorbed_s += dt_s
            if self.absorbed_s >= self.settings.absorb_s:
                self.stage = "float"
                self._set_target()

    def _guard(self, dt_s: float) -> None:
        beyond = self.bank_v < self.settings.cut_v if self.load_on else self.bank_v > self.settings.back_v
        self._beyond_s = self._beyond_s + dt_s if beyond else 0.0
        if self._beyond_s >= OUT_AFTER_S:
            self._beyond_s = 0.0
            self.cuts += self.load_on
            self.load_on = not self.load_on
