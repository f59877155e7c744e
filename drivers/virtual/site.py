"""A whole virtual site: sun, weather, panel, controller, bank, radio, heat and instruments, step by step.

The truth is known at every instant, so that what the service makes of the instruments can be judged.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from random import Random
from types import MappingProxyType
from typing import Any

from drivers.virtual.bank import VirtualBank
from drivers.virtual.conditions import CONDITIONS, Effects, joined
from drivers.virtual.controller import ControllerSettings, VirtualController
from drivers.virtual.heat import VirtualHeat
from drivers.virtual.instruments import CONTROLLER, SHUNT, Channel, ShuntCounter
from drivers.virtual.sun import SunPlace, on_panel_w_m2, sun_place
from drivers.virtual.traffic import Traffic
from drivers.virtual.weather import Spell, Weather

MINUTE_S = 60.0
_LEAST_S = 1e-6  # shorter pieces of time are rounding, not time


@dataclass(frozen=True, slots=True)
class SitePlan:
    """What stands on the hill; amperes at the bank's voltage, angles in degrees.

    The radio hangs on the controller's load output, the computer straight on the bank.
    """

    latitude: float = 37.284
    longitude: float = -81.139
    height_m: float = 900.0
    panel_w: float = 30.0
    panel_tilt_deg: float = 55.0
    panel_azimuth_deg: float = 180.0
    chemistry: str = "agm"
    capacity_ah: float = 24.0
    cells: int = 6
    health: float = 1.0
    start_soc: float = 0.90
    idle_a: float = 0.13
    transmit_a: float = 1.6
    computer_a: float = 0.08
    traffic_level: float = 1.0
    lead_ohm: float = 0.006
    controller: ControllerSettings = field(default_factory=ControllerSettings)
    shunt: Mapping[str, Channel] = field(default_factory=lambda: SHUNT)
    readout: Mapping[str, Channel] = field(default_factory=lambda: CONTROLLER)
    spells: tuple[Spell, ...] = ()


@dataclass(frozen=True, slots=True)
class Truth:
    """What no instrument tells.

    Attributes:
        soc_frac, capacity_ah: charge left over the present usable capacity (20 h rate, 25 C), and that capacity.
        resistance_ohm: plain resistance of bank and posts; `keying_ohm` is what a keying edge shows after 1 s.
        bank_v, bank_a, bank_c: without the shunt's errors.
        keyed, keyings, keyed_s, longest_s: the transmitter now and since the start.
        charged_ah, drained_ah: into and out of the bank's posts; gassed_ah, idle_ah: lost inside.
        sun_wh, panel_wh: what the panel could have given, and gave.
        stage, load_on, cuts: of the controller.
    """

    soc_frac: float
    capacity_ah: float
    resistance_ohm: float
    keying_ohm: float
    bank_v: float
    bank_a: float
    bank_c: float
    keyed: bool
    keyings: int
    keyed_s: float
    longest_s: float
    charged_ah: float
    drained_ah: float
    gassed_ah: float
    idle_ah: float
    sun_wh: float
    panel_wh: float
    stage: str
    load_on: bool
    cuts: int


class VirtualSite:
    """One invented site, the same for the same seed, start and plan."""

    def __init__(self, *, seed: int, start_utc_s: float, plan: SitePlan | None = None) -> None:
        plan = plan or SitePlan()
        self.plan = plan
        self.seed = seed
        self.start_utc_s = start_utc_s
        self.utc_s = start_utc_s
        self.utc_offset_h = float(round(plan.longitude / 15.0))
        self.weather = Weather(seed, latitude=plan.latitude, utc_offset_h=self.utc_offset_h, height_m=plan.height_m)
        self.weather.spells.extend(plan.spells)
        self.traffic = Traffic(seed, start_utc_s=start_utc_s, utc_offset_h=self.utc_offset_h, level=plan.traffic_level)
        self.sky = self.weather.at(start_utc_s)
        self.heat = VirtualHeat(self.sky.air_c)
        self.bank = VirtualBank(
            plan.chemistry, plan.capacity_ah, plan.cells,
            soc_frac=plan.start_soc, health=plan.health, bank_c=self.heat.bank_c,
        )  # fmt: skip
        self.controller = VirtualController(plan.controller, bank_v=self.bank.bank_v)
        self.counter = ShuntCounter(plan.shunt["bank_a"])
        self.bank_a = 0.0
        self.load_a = 0.0
        self.charged_ah = self.drained_ah = self.sun_wh = self.panel_wh = 0.0
        self._chance = Random(f"{seed}:noise")
        self._active: dict[str, tuple[Effects, float | None]] = {}
        self._effects = Effects()
        self._keyed = False
        self._sun_w = 0.0
        self._post_ohm = 0.0
        self._box_ws = self._loss_ws = 0.0
        self._minute_s = self._looked_s = start_utc_s
        self._begin_minute()

    # --- time

    def advance(self, dt_s: float) -> None:
        """Go on for `dt_s` (s, any length): split at keying edges and whole minutes, so that each piece is steady."""
        end_s = self.utc_s + dt_s
        traffic, ends = self.traffic, end_s - _LEAST_S
        while self.utc_s < ends:
            if self.utc_s >= self._minute_s - _LEAST_S:
                self._begin_minute()
            self._keyed = traffic.move_to(self.utc_s)
            until_s = min(end_s, self._minute_s, traffic.until_s())
            self._piece(until_s - self.utc_s)
            self.utc_s = until_s
        self.utc_s = end_s
        traffic.pass_to(end_s)

    def _piece(self, dt_s: float) -> None:
        """Run a stretch in which no load changes."""
        plan, effects, controller, bank = self.plan, self._effects, self.controller, self.bank
        load_a = 0.0
        if controller.load_on:
            load_a = plan.transmit_a * effects.transmit_factor if self._keyed else plan.idle_a
            load_a += effects.extra_a
        direct_a = plan.computer_a + plan.controller.own_a + effects.extra_bank_a
        bank_a = controller.step(bank, load_a, direct_a, plan.lead_ohm + effects.lead_ohm, dt_s)
        self.bank_a, self.load_a = bank_a, load_a
        self.counter.add(bank_a, dt_s)
        if bank_a > 0.0:
            self.charged_ah += bank_a * dt_s / 3600.0
        else:
            self.drained_ah -= bank_a * dt_s / 3600.0
        self.sun_wh += self._sun_w * dt_s / 3600.0
        self.panel_wh += controller.panel_w * dt_s / 3600.0
        bank_v = bank.bank_v
        # About a third of what a transmitter draws leaves as radio waves; the rest warms the box.
        self._box_ws += (load_a * (0.65 if self._keyed else 1.0) + plan.computer_a) * bank_v * dt_s
        self._loss_ws += (controller.panel_w * (1.0 - plan.controller.efficiency) + 0.02 * load_a * bank_v) * dt_s

    def _begin_minute(self) -> None:
        """Look at everything slow: conditions, sky, sun, heat, what temperature does to the bank."""
        self._end_conditions()
        effects, plan = self._effects, self.plan
        passed_s = self.utc_s - self._looked_s
        self.sky = self.weather.at(self.utc_s)
        sun = sun_place(self.utc_s, plan.latitude, plan.longitude)
        light_w_m2 = self.sky.dim * effects.sky_factor * on_panel_w_m2(
            sun, self.sky.cloud, plan.panel_tilt_deg, plan.panel_azimuth_deg
        )  # fmt: skip
        if passed_s > 0.0:
            self.heat.step(
                passed_s,
                air_c=self.sky.air_c + effects.air_k,
                sun_w_m2=light_w_m2,
                box_w=self._box_ws / passed_s + effects.box_w,
                controller_w=self._loss_ws / passed_s + effects.controller_w,
                vent=effects.vent_factor,
            )
        self._box_ws = self._loss_ws = 0.0
        panel_c = self.sky.air_c + effects.air_k + 0.028 * light_w_m2
        self._sun_w = plan.panel_w * light_w_m2 / 1000.0 * (1.0 - 0.004 * (panel_c - 25.0)) * self._light_kept(sun)
        self.bank.warm_to(self.heat.bank_c)
        self.bank.resistance_ohm += effects.post_ohm
        self.controller.look(
            sun_w=self._sun_w, panel_c=panel_c, controller_c=self.heat.controller_c, shift_v=effects.set_point_v
        )
        self._looked_s = self.utc_s
        self._minute_s = self.utc_s + MINUTE_S

    def _light_kept(self, sun: SunPlace) -> float:
        effects = self._effects
        return effects.panel_factor * (effects.afternoon_factor if sun.azimuth_deg > 180.0 else 1.0)

    # --- conditions

    def impose(self, name: str, *, for_s: float | None = None, **changed: Any) -> None:
        """Let a condition begin now.

        Args:
            name: a row of `conditions.CONDITIONS`, or "counter-reset", which happens once.
            for_s: how long it lasts, s; None: as its row says, else until lifted.
            changed: effects to use instead of the row's, by name (see `conditions.Effects`).
        Raises: KeyError: no such condition.
        """
        if name == "counter-reset":
            self.counter.reset()
            return
        if name not in CONDITIONS:
            raise KeyError(f"no condition {name!r}; there are counter-reset, {', '.join(CONDITIONS)}")
        row = CONDITIONS[name]
        lasts_s = row.for_s if for_s is None else for_s
        effects = replace(row.effects, **changed)
        self._active[name] = (effects, None if lasts_s is None else self.utc_s + lasts_s)
        self._take_effects()

    def lift(self, name: str) -> None:
        """End a condition; one that is not there is no error."""
        if self._active.pop(name, None) is not None:
            self._take_effects()

    @property
    def conditions(self) -> tuple[str, ...]:
        """The names of the conditions that hold now."""
        return tuple(self._active)

    def _end_conditions(self) -> None:
        over = [name for name, (_, end_s) in self._active.items() if end_s is not None and end_s <= self.utc_s]
        for name in over:
            del self._active[name]
        if over:
            self._take_effects()

    def _take_effects(self) -> None:
        before, plan = self._effects, self.plan
        effects = self._effects = joined(row for row, _ in self._active.values())
        self.traffic.change(level=plan.traffic_level * effects.traffic_factor, stuck=effects.stuck, dead=effects.dead)
        self.controller.blocked = effects.blocked
        self.controller.backflow_a = effects.backflow_a
        if (before.capacity_factor, before.wear_factor) != (effects.capacity_factor, effects.wear_factor):
            health = plan.health * effects.capacity_factor
            self.bank.age(capacity_ah=plan.capacity_ah * health, wear=effects.wear_factor / plan.health**2)
        self._minute_s = self.utc_s  # look around again before the next piece

    # --- what can be seen, and what is true

    def shown(self, instrument: str) -> dict[str, float | None]:
        """Read one of the instruments, "shunt" or "controller"; None is what it reports as not available.

        Each call draws its noise anew, so read once an instant.
        """
        if instrument == "shunt":
            return self._shown_by_shunt()
        if instrument == "controller":
            return self._shown_by_controller()
        raise KeyError(f"no instrument {instrument!r} at the virtual site; there are shunt and controller")

    def observe(self) -> dict[str, dict[str, float | None]]:
        """Read all instruments once: instrument -> quantity -> value."""
        return {"shunt": self._shown_by_shunt(), "controller": self._shown_by_controller()}

    def _shown_by_shunt(self) -> dict[str, float | None]:
        look, chance = self.plan.shunt, self._chance
        bank_c = None if self._effects.no_bank_thermometer else look["bank_c"].show(self.heat.bank_c, chance)
        return {
            "bank_v": look["bank_v"].show(self.bank.bank_v, chance),
            "bank_a": look["bank_a"].show(self.bank_a, chance),
            "bank_ah_counter": self.counter.shown(),
            "bank_c": bank_c,
        }

    def _shown_by_controller(self) -> dict[str, float | None]:
        look, chance, controller = self.plan.readout, self._chance, self.controller
        panel_v, panel_w = controller.panel_v, controller.panel_w
        panel_a = panel_w / panel_v if panel_v > 1.0 else 0.0
        if controller.charge_a < 0.0:
            panel_a = controller.charge_a
        return {
            "bank_v": look["bank_v"].show(controller.bank_v, chance),
            "charge_a": max(0.0, look["charge_a"].show(max(0.0, controller.charge_a), chance)),
            "load_a": max(0.0, look["load_a"].show(self.load_a, chance)),
            "panel_v": max(0.0, look["panel_v"].show(panel_v, chance)),
            "panel_a": look["panel_a"].show(panel_a, chance),
            "panel_w": max(0.0, look["panel_w"].show(panel_w, chance)),
            "controller_c": look["controller_c"].show(self.heat.controller_c, chance),
            "enclosure_c": look["enclosure_c"].show(self.heat.enclosure_c, chance),
        }

    @property
    def truth(self) -> Truth:
        """The truth of this instant."""
        bank, traffic, controller = self.bank, self.traffic, self.controller
        plan = self.plan
        idle_a = plan.idle_a + plan.computer_a + plan.controller.own_a
        keying_ohm = bank.keying_ohm(idle_a, plan.transmit_a - plan.idle_a)
        return Truth(
            soc_frac=bank.soc_frac, capacity_ah=bank.capacity_ah, resistance_ohm=bank.resistance_ohm,
            keying_ohm=keying_ohm, bank_v=bank.bank_v, bank_a=self.bank_a, bank_c=bank.bank_c,
            keyed=self._keyed, keyings=traffic.keyings, keyed_s=traffic.keyed_s, longest_s=traffic.longest_s,
            charged_ah=self.charged_ah, drained_ah=self.drained_ah, gassed_ah=bank.gassed_ah, idle_ah=bank.idle_ah,
            sun_wh=self.sun_wh, panel_wh=self.panel_wh,
            stage=controller.stage, load_on=controller.load_on, cuts=controller.cuts,
        )  # fmt: skip


INSTRUMENTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"shunt": ("bank_v", "bank_a", "bank_ah_counter", "bank_c"), "controller": tuple(CONTROLLER)}
)
