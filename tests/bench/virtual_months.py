"""Months of virtual sites, drawn at random within what such sites are like: a second judge of the filter.

The bank model of `drivers.virtual` shares nothing with the estimator nor with the truth sets. Chemistry,
size, health, start, season, weather, traffic and every instrument's error are drawn from the site's
number, so that the same number gives the same month on every machine. Nothing is fitted to them.
"""

import pickle
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from drivers.virtual.controller import ControllerSettings
from drivers.virtual.heat import VirtualHeat
from drivers.virtual.instruments import CONTROLLER, SHUNT, Channel
from drivers.virtual.site import SitePlan, VirtualSite
from shared.site import Bank

DAYS = 30
ROW_S = 10
# chemistry, cells, absorb V, float V, V/K, absorption s, cut V, back V; for 12 V.
CHARGERS = {
    "agm": (6, 14.4, 13.7, -0.024, 9000.0, 11.1, 12.6),
    "gel": (6, 14.2, 13.7, -0.024, 9000.0, 11.1, 12.6),
    "flooded": (6, 14.6, 13.6, -0.024, 9000.0, 11.1, 12.6),
    "lifepo4": (4, 14.2, 13.5, 0.0, 3600.0, 11.8, 13.0),
}
SIZES = ((24.0, 1), (100.0, 1), (200.0, 2))  # nameplate Ah, blocks of 12 V in series
HEALTHS = {"agm": (1.0, 0.85, 0.7), "gel": (1.0, 0.8), "flooded": (1.0, 0.85, 0.7), "lifepo4": (1.0, 0.9)}
COLUMNS = (
    "time_s", "bank_v", "bank_a", "bank_ah_counter", "bank_c", "controller_c", "panel_w", "charge_a", "load_a",
    "controller_v", "true_soc",
)  # fmt: skip


@dataclass
class Month:
    """One site's month as its instruments show it, and the truth.

    Attributes:
        bank: as the owner writes it down, set-points included.
        steady_a: what the owner believes that the computer draws straight from the bank, A.
        columns: a list for each name of COLUMNS.
    """

    name: str
    bank: Bank
    capacity_ah: float
    offset_a: float
    steady_a: float
    columns: dict[str, list[float]] = field(default_factory=dict)


class RoomyHeat(VirtualHeat):
    """A larger site stands in a larger box: what warms it is shared out over as many small ones."""

    def __init__(self, air_c: float, scale: float) -> None:
        super().__init__(air_c)
        self.scale = scale

    def step(
        self, dt_s: float, *, air_c: float, sun_w_m2: float, box_w: float, controller_w: float, vent: float = 1.0
    ) -> None:
        super().step(
            dt_s, air_c=air_c, sun_w_m2=sun_w_m2, box_w=box_w / self.scale, controller_w=controller_w / self.scale,
            vent=vent,
        )  # fmt: skip


def plan_of(number: int) -> tuple[str, SitePlan, Bank, float]:
    """Draw site `number`: its name, what stands there, what its owner writes down, when it begins."""
    chance = Random(f"virtual month {number}")
    rows = [(kind, size, health) for kind in CHARGERS for size in SIZES for health in HEALTHS[kind]]
    kind, (nameplate_ah, blocks), health = rows[number % len(rows)]
    cells, absorb_v, float_v, per_k, absorb_s, cut_v, back_v = CHARGERS[kind]
    scale = nameplate_ah * blocks / 24.0
    nameplate_scale = nameplate_ah / 24.0
    error_v = chance.gauss(0.0, 0.025) * blocks
    controller = ControllerSettings(
        absorb_v=absorb_v * blocks + error_v,
        float_v=float_v * blocks + error_v,
        charge_v_per_k=per_k * blocks,
        absorb_s=absorb_s,
        cut_v=cut_v * blocks,
        back_v=back_v * blocks,
    )
    # A shunt's offset goes with its size, and a bank gets a shunt of its own size.
    offset_a = chance.gauss(0.0, 0.0004) * nameplate_ah
    shunt = {
        "bank_v": Channel(0.01, offset=chance.gauss(0.0, 0.012) * blocks, noise=0.004 * blocks),
        "bank_a": Channel(0.005, offset=offset_a, gain=chance.gauss(0.0, 0.006), noise=0.004 * nameplate_scale),
        "bank_c": Channel(0.1, offset=chance.gauss(0.0, 0.6)),
    }
    gain, load_gain = chance.gauss(0.0, 0.008), chance.gauss(0.0, 0.008)
    readout = {
        **CONTROLLER,
        "bank_v": Channel(0.01, offset=chance.gauss(0.0, 0.015) * blocks, noise=0.004),
        "charge_a": Channel(0.01, gain=gain, noise=0.004),
        "load_a": Channel(0.01, gain=load_gain, noise=0.004),
        "panel_w": Channel(0.1, gain=gain, noise=0.02),
        "controller_c": Channel(1.0, offset=chance.gauss(0.0, 0.8)),
    }
    assert set(shunt) == set(SHUNT)
    share = nameplate_scale * chance.uniform(0.7, 1.2)
    plan = SitePlan(
        panel_w=chance.uniform(38.0, 65.0) * scale,
        chemistry=kind,
        capacity_ah=nameplate_ah,
        cells=cells * blocks,
        health=health,
        start_soc=chance.uniform(0.45, 1.0),
        idle_a=0.13 * share,
        transmit_a=1.6 * share,
        computer_a=0.05 * share,
        traffic_level=chance.uniform(0.4, 1.4),
        lead_ohm=chance.uniform(0.002, 0.01) / nameplate_scale,
        controller=controller,
        shunt=shunt,
        readout=readout,
    )
    bank = Bank(kind, nameplate_ah, cells * blocks, 0.5, absorb_v * blocks, float_v * blocks, per_k * blocks)
    start_utc_s = 1_735_689_600.0 + 86_400.0 * chance.randrange(330)
    name = f"{number:02d}-{kind}-{nameplate_ah:.0f}Ah-{12 * blocks}V-{100 * health:.0f}%"
    return name, plan, bank, start_utc_s


def month(number: int, folder: Path) -> Month:
    """The month of site `number`, from the folder if it was made before."""
    kept = folder / f"month-{number}.pickle"
    name, plan, bank, start_utc_s = plan_of(number)
    if kept.exists():
        made: Month = pickle.loads(kept.read_bytes())
        made.bank = bank  # a file kept from before may know fewer of its fields
        return made
    site = VirtualSite(seed=number, start_utc_s=start_utc_s, plan=plan)
    site.heat = RoomyHeat(site.heat.enclosure_c, plan.capacity_ah * plan.cells / 144.0)
    told = Random(f"owner {number}").gauss(1.0, 0.1)
    out = Month(
        name, bank, site.truth.capacity_ah, plan.shunt["bank_a"].offset, plan.computer_a * told,
        {column: [] for column in COLUMNS},
    )  # fmt: skip
    columns = [out.columns[column] for column in COLUMNS]
    for row in range(1, DAYS * 86_400 // ROW_S + 1):
        site.advance(float(ROW_S))
        seen, controller = site.shown("shunt"), site.shown("controller")
        values = (
            float(row * ROW_S), seen["bank_v"], seen["bank_a"], seen["bank_ah_counter"], seen["bank_c"],
            controller["controller_c"], controller["panel_w"], controller["charge_a"], controller["load_a"],
            controller["bank_v"], site.bank.soc_frac,
        )  # fmt: skip
        for column, value in zip(columns, values, strict=True):
            assert value is not None
            column.append(value)
    folder.mkdir(parents=True, exist_ok=True)
    kept.write_bytes(pickle.dumps(out))
    return out
