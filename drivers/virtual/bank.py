"""The virtual bank: a battery model of its own, unlike the one the estimator reasons with.

Charge sits in two wells, one at hand and one that must first seep over (Manwell and McGowan 1993,
"Lead acid battery storage model for hybrid energy systems", Solar Energy 50; from memory). The level
of the well at hand sets the voltage at rest; an overpotential of the Butler-Volmer kind, a charging
resistance that rises as the bank fills, and the plain resistance come on top. Gas takes its share of
the charge near full. Numbers without a source are chosen so that the bank stays inside the published
bands for rest voltage, rate and cold; the tests hold it there.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import asinh, exp, expm1, sqrt
from types import MappingProxyType

_GAS_CONSTANT = 8.314  # J/(mol K)
_ROOM_K = 298.15
_THERMAL_V = 0.0257  # RT/F at 25 C
_LEAST_ROOM = 2e-4  # how near to full the charging resistance is still worked out


@dataclass(frozen=True, slots=True)
class BankKind:
    """What a chemistry is like, for a 12 V bank; `rest_v` are (level of the well at hand, volts), rising.

    Attributes:
        cells: in series in the rest table.
        empty_v: the terminal voltage at which the 20 h discharge ends and `soc_frac` is 0.
        at_hand: share of the charge in the first well, 0 to 1.
        seep_h: rate at which the wells even out at 25 C, 1/h.
        exchange: exchange current at 25 C, A for each Ah.
        charge_ohm_ah: charging resistance times capacity; divided by what is left to fill.
        gas_a_ah: gassing current at 2.23 V a cell and 20 C, A for each Ah.
        ohm_ah: plain resistance when new, full and at 25 C, times capacity.
        idle_share_month: self-discharge a month (720 h) at 25 C beside gassing; doubles each 10 K.
        hysteresis_v: half the gap between the rest curves after charge and after discharge.
    """

    rest_v: tuple[tuple[float, float], ...]
    cells: int
    empty_v: float
    at_hand: float
    seep_h: float
    exchange: float
    charge_ohm_ah: float
    gas_a_ah: float
    ohm_ah: float
    idle_share_month: float
    volt_per_k: float
    hysteresis_v: float = 0.0


_AGM = BankKind(
    rest_v=((0.0, 11.75), (0.25, 12.07), (0.5, 12.31), (0.75, 12.57), (1.0, 12.84)),
    cells=6,
    empty_v=10.5,
    at_hand=0.5,
    seep_h=0.65,
    exchange=0.02,
    charge_ohm_ah=0.48,
    gas_a_ah=6.0e-5,
    ohm_ah=0.30,
    idle_share_month=0.012,
    volt_per_k=0.0012,
)
KINDS: Mapping[str, BankKind] = MappingProxyType(
    {
        "agm": _AGM,
        "gel": BankKind(
            rest_v=((0.0, 11.80), (0.25, 12.10), (0.5, 12.34), (0.75, 12.60), (1.0, 12.86)),
            cells=6,
            empty_v=10.5,
            at_hand=0.45,
            seep_h=0.60,
            exchange=0.02,
            charge_ohm_ah=0.60,
            gas_a_ah=6.0e-5,
            ohm_ah=0.40,
            idle_share_month=0.012,
            volt_per_k=0.0012,
        ),
        "flooded": BankKind(
            rest_v=((0.0, 11.80), (0.25, 12.07), (0.5, 12.25), (0.75, 12.45), (1.0, 12.65)),
            cells=6,
            empty_v=10.5,
            at_hand=0.42,
            seep_h=0.65,
            exchange=0.02,
            charge_ohm_ah=0.55,
            gas_a_ah=2.5e-4,
            ohm_ah=0.36,
            idle_share_month=0.06,
            volt_per_k=0.0012,
        ),
        "lifepo4": BankKind(
            rest_v=(
                (0.0, 10.5),
                (0.05, 11.9),
                (0.1, 12.45),
                (0.2, 12.90),
                (0.3, 13.03),
                (0.4, 13.14),
                (0.5, 13.16),
                (0.6, 13.19),
                (0.7, 13.25),
                (0.8, 13.31),
                (0.9, 13.35),
                (0.95, 13.40),
                (1.0, 13.60),
            ),
            cells=4,
            empty_v=10.0,
            at_hand=0.85,
            seep_h=8.0,
            exchange=0.12,
            charge_ohm_ah=0.012,
            gas_a_ah=0.0,
            ohm_ah=0.21,
            idle_share_month=0.02,
            volt_per_k=0.0,
            hysteresis_v=0.03,
        ),
    }
)

_STEPS = 200  # of the rest table for each unit of level
_LOWEST, _HIGHEST = -0.5, 1.05
_SEEP_J, _EXCHANGE_J, _OHM_PER_K = 30_000.0, 35_000.0, -0.006
_LAG_S = 45.0  # the overpotential follows the current with this delay (double layer)
_HYSTERESIS_RATE = 8.0  # a swing of about an eighth of the capacity turns the hysteresis over


def _faster(joule_mol: float, bank_c: float) -> float:
    """Arrhenius: how much faster than at 25 C."""
    return exp(joule_mol / _GAS_CONSTANT * (1.0 / _ROOM_K - 1.0 / (bank_c + 273.15)))


class VirtualBank:
    """One bank with its true state; currents above zero charge.

    Attributes:
        soc_frac: charge left over `capacity_ah`; 0 is where a 20 h discharge at 25 C reaches the end voltage.
        capacity_ah: what the bank gives at the 20 h rate and 25 C, at its present age.
        bank_v: voltage at its posts after the last step.
        resistance_ohm: plain resistance now: the step a current step makes at once.
        gassed_ah, idle_ah: charge lost to gas and to self-discharge so far.
    """

    __slots__ = (
        "_cells", "_charge_ohm", "_deficit", "_exchange_a", "_gap_v", "_gas_a", "_hysteresis", "_idle_a", "_kind",
        "_nameplate_ah", "_over_v", "_rest", "_scale", "_seep_s", "_warm_v", "bank_c", "bank_v", "capacity_ah",
        "gassed_ah", "idle_ah", "resistance_ohm", "soc_frac", "wear",
    )  # fmt: skip

    def __init__(
        self,
        chemistry: str,
        nameplate_ah: float,
        cells: int,
        *,
        soc_frac: float,
        health: float = 1.0,
        bank_c: float = 15.0,
    ) -> None:
        kind = KINDS[chemistry]
        self._kind = kind
        self._cells = cells
        self._scale = cells / kind.cells
        self._gap_v = kind.hysteresis_v * self._scale
        self._nameplate_ah = nameplate_ah
        self.soc_frac = soc_frac
        self.capacity_ah = nameplate_ah * health
        self.wear = (1.0 / health) ** 2  # resistance against a new bank: made up, 1.4 at 85 % health
        self.bank_c = bank_c
        self.gassed_ah = 0.0
        self.idle_ah = 0.0
        self._deficit = 0.0  # level of the seeping well above that of the well at hand
        self._over_v = 0.0
        self._hysteresis = 0.0
        self._build_rest()
        self.warm_to(bank_c)
        self.bank_v = self._rest_v()

    def age(self, *, capacity_ah: float | None = None, wear: float | None = None) -> None:
        """Give the bank another capacity (Ah) or resistance factor; the share of charge left stays."""
        if capacity_ah is not None:
            self.capacity_ah = capacity_ah
        if wear is not None:
            self.wear = wear
        self._build_rest()
        self.warm_to(self.bank_c)

    def warm_to(self, bank_c: float) -> None:
        """Set the temperature (C) and all rates that go with it; called about once a simulated minute."""
        kind, capacity_ah = self._kind, self.capacity_ah
        self.bank_c = bank_c
        self._seep_s = kind.seep_h * _faster(_SEEP_J, bank_c) / 3600.0
        faster = _faster(_EXCHANGE_J, bank_c)
        self._exchange_a = kind.exchange * capacity_ah * faster
        self._charge_ohm = kind.charge_ohm_ah / capacity_ah / sqrt(faster) * self._scale
        self._gas_a = kind.gas_a_ah * capacity_ah * exp(0.06 * (bank_c - 20.0))
        self._idle_a = kind.idle_share_month * capacity_ah / 720.0 * 2.0 ** ((bank_c - 25.0) / 10.0)
        self._warm_v = kind.volt_per_k * (bank_c - 25.0) * self._scale
        ohm = kind.ohm_ah / self._nameplate_ah * self._scale * self.wear
        self.resistance_ohm = ohm * (1.0 + 0.5 * (1.0 - self.soc_frac)) * (1.0 + _OHM_PER_K * (bank_c - 25.0))

    def trial_v(self, bank_a: float, dt_s: float) -> float:
        """Tell the voltage after `dt_s` at a steady current, without going there."""
        keep = exp(-dt_s / _LAG_S)
        over_v = self._over_v * keep + self._target_v(bank_a - self._gassing_a()) * (1.0 - keep)
        return self._rest_v() + over_v + bank_a * self.resistance_ohm

    def current_for(self, bank_v: float, dt_s: float, lead_ohm: float, lead_a: float, guess_a: float) -> float:
        """Find the current at which, after `dt_s`, the far end of a lead stands at `bank_v`.

        Args:
            bank_v: wanted at the lead's far end, V.
            lead_ohm: resistance of the lead, ohm.
            lead_a: current the lead carries beside the bank's, A.
            guess_a: where to start; the closer the quicker.
        Returns: the bank's current, A, to 10 microvolts in at most 30 rounds of Newton's rule.
        """
        keep = exp(-dt_s / _LAG_S)
        gas_a, ohm = self._gassing_a(), self.resistance_ohm + lead_ohm
        fixed_v = self._rest_v() + self._over_v * keep + lead_a * lead_ohm - bank_v
        bank_a = guess_a
        for _ in range(30):
            main_a = bank_a - gas_a
            miss_v = fixed_v + self._target_v(main_a) * (1.0 - keep) + bank_a * ohm
            if -1e-5 < miss_v < 1e-5:
                break
            bank_a -= miss_v / (self._slope_ohm(main_a) * (1.0 - keep) + ohm)
        return bank_a

    def step(self, bank_a: float, dt_s: float) -> None:
        """Go on for `dt_s` (s) at a steady current (A)."""
        kind = self._kind
        gas_a = self._gassing_a()
        main_a = bank_a - gas_a
        keep = exp(-dt_s / _LAG_S)
        self._over_v = self._over_v * keep + self._target_v(main_a) * (1.0 - keep)
        into_ah = (main_a - self._idle_a) * dt_s / 3600.0
        lost = expm1(-self._seep_s * dt_s)
        drive = (main_a - self._idle_a) / (3600.0 * self.capacity_ah * kind.at_hand * self._seep_s)
        self._deficit += self._deficit * lost + drive * lost
        self.soc_frac += into_ah / self.capacity_ah
        self.gassed_ah += gas_a * dt_s / 3600.0
        self.idle_ah += self._idle_a * dt_s / 3600.0
        spill = self._level() - 1.0
        if spill > 0.0:  # the well at hand is full: what is too much becomes gas
            self.soc_frac -= spill * kind.at_hand
            self._deficit += spill
            self.gassed_ah += spill * kind.at_hand * self.capacity_ah
        if kind.hysteresis_v:
            turn = _HYSTERESIS_RATE * abs(main_a) * dt_s / 3600.0 / self.capacity_ah
            self._hysteresis += ((1.0 if main_a > 0.0 else -1.0) - self._hysteresis) * (1.0 - exp(-turn))
        self.bank_v = self._rest_v() + self._over_v + bank_a * self.resistance_ohm

    def keying_ohm(self, idle_a: float, step_a: float, after_s: float = 1.0) -> float:
        """Tell what a load step shows: volts lost over amperes drawn, `after_s` after the edge.

        Args:
            idle_a: what the site draws before the edge, A, long enough to have settled.
            step_a: how much more it draws after it, A.
            after_s: from the edge to the look, s.
        """
        more_v = self._target_v(-idle_a) - self._target_v(-idle_a - step_a)
        return self.resistance_ohm + more_v / step_a * (1.0 - exp(-after_s / _LAG_S))

    def _level(self) -> float:
        """Level of the well at hand."""
        return self.soc_frac - (1.0 - self._kind.at_hand) * self._deficit

    def _rest_v(self) -> float:
        place = (min(_HIGHEST - 0.01, max(_LOWEST, self._level())) - _LOWEST) * _STEPS
        row = int(place)
        low_v = self._rest[row]
        return low_v + (self._rest[row + 1] - low_v) * (place - row) + self._warm_v + self._hysteresis * self._gap_v

    def _gassing_a(self) -> float:
        """Gas, by the exponential law usual for lead-acid (11 per volt and cell; from memory)."""
        if not self._gas_a:
            return 0.0
        return self._gas_a * exp(11.0 * (min(self.bank_v / self._cells, 2.75) - 2.23))

    def _target_v(self, main_a: float) -> float:
        """Overpotential once it has settled."""
        volts = self._cells * _THERMAL_V * asinh(main_a / (2.0 * self._exchange_a))
        if main_a > 0.0:
            volts += main_a * self._charge_ohm / max(_LEAST_ROOM, 1.0 - self._level())
        return volts

    def _slope_ohm(self, main_a: float) -> float:
        ohm = self._cells * _THERMAL_V / sqrt(main_a * main_a + 4.0 * self._exchange_a * self._exchange_a)
        if main_a > 0.0:
            ohm += self._charge_ohm / max(_LEAST_ROOM, 1.0 - self._level())
        return ohm

    def _build_rest(self) -> None:
        """Tabulate volts at rest over the level, so that `soc_frac` is 0 just where the 20 h discharge ends.

        The rest voltage follows the Ah removed, so a bank that lost plates has a flatter curve.
        """
        kind = self._kind
        share = min(1.0, self.capacity_ah / self._nameplate_ah) if kind.gas_a_ah else 1.0
        hour_a = self.capacity_ah / 20.0
        end_level = -(1.0 - kind.at_hand) / (20.0 * kind.at_hand * kind.seep_h)
        over_v = kind.cells * _THERMAL_V * asinh(1.0 / (40.0 * kind.exchange))
        end_v = kind.empty_v + over_v + hour_a * kind.ohm_ah * 1.5 / self._nameplate_ah * self.wear + kind.hysteresis_v
        knee_v = _between(kind.rest_v, 1.0 - share)
        slope = (knee_v - end_v) / -end_level
        self._rest = []
        for row in range(int((_HIGHEST - _LOWEST) * _STEPS) + 2):
            level = _LOWEST + row / _STEPS
            above_v = _between(kind.rest_v, 1.0 - (1.0 - level) * share)
            volts = above_v if level >= 0.0 else knee_v + level * slope
            self._rest.append(max(1.0, volts) * self._scale)


def _between(table: tuple[tuple[float, float], ...], place: float) -> float:
    """Read a rising table by straight lines; beyond its ends the last value holds."""
    if place <= table[0][0]:
        return table[0][1]
    for (x0, y0), (x1, y1) in zip(table, table[1:], strict=False):
        if place <= x1:
            return y0 + (y1 - y0) * (place - x0) / (x1 - x0)
    return table[-1][1]
