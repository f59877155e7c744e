"""Months to judge the lookahead by: truth sets of a folder, and an ensemble of virtual sites drawn at random.

A month is cut once into five-minute pieces with the estimate at each; lookahead and rule then run on those, so that
many variants can be compared in the time of one replay.
"""

import copyreg
import csv
import gzip
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from types import MappingProxyType
from typing import Any

import numpy as np
from attrs import evolve

from daemon.configuration import load_replay_site
from drivers.virtual.controller import ControllerSettings
from drivers.virtual.instruments import SHUNT, Channel
from drivers.virtual.site import SitePlan, VirtualSite
from shared.charge import ChargeFilter
from shared.flows import Flows, Piece
from shared.site import Bank, Load, Place, Site


def _frozen(rows: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(rows)


# A site has read-only mappings in it, and months go from one process to another.
copyreg.pickle(MappingProxyType, lambda row: (_frozen, (dict(row),)))

HERE = Path(__file__).resolve().parent
TRUTH = HERE.parent / "truth"
HYSTERESIS = 0.005  # upward, as in the truth sets' list of crossings
DAYS = 30
VIRTUAL_ROW_S = 10.0  # as the truth sets: keying edges, which tell of capacity, need rows that near together
ROW = ("bank_v", "bank_a", "bank_ah_counter", "bank_c", "controller_c", "panel_w")


@dataclass(frozen=True, slots=True)
class Known:
    """What the filter knew at one instant."""

    soc_frac: float
    soc_sigma: float
    capacity_ah: float
    capacity_sigma_ah: float
    soc_capacity_corr: float
    shunt_offset_a: float


@dataclass
class Course:
    """A month in pieces; times are seconds since the first row, which was at `begin_utc_s`."""

    name: str
    site: Site
    begin_utc_s: float
    steps: list[tuple[float, Piece | None, Known]] = field(default_factory=list)
    truth: list[tuple[float, float]] = field(default_factory=list)  # (UTC, true state of charge)
    crossings: list[tuple[float, str]] = field(default_factory=list)  # (UTC, down or up)
    days: float = DAYS


def set_site(folder: Path, name: str) -> Site:
    """The site file of a set, beside it or in tests/truth; else what its sidecar tells an owner would know."""
    for place in (folder, TRUTH):
        if (place / f"{name}.toml").exists():
            return load_replay_site(place / f"{name}.toml")
    told = json.loads((folder / f"{name}.json").read_text())
    charger, where = told["controller"], told["site"]
    kind = told["chemistry"].lower()
    chemistry = "agm" if "agm" in kind else "gel" if "gel" in kind else "flooded" if "flooded" in kind else "lifepo4"
    cells = 4 if chemistry == "lifepo4" else 6
    return Site(
        Place(name, where["lat"], where["lon"], "UTC", 30.0, where["panel_tilt_deg"]),
        Bank(chemistry, told["nameplate_ah"], cells, 0.5, charger["v_abs"], charger["v_float"], charger["tempco"]),
    )


def truth_course(path: Path) -> Course:
    """Cut a truth set; its start is unknown to the filter."""
    name = path.name.removesuffix(".csv.gz")
    site = set_site(path.parent, name)
    with gzip.open(path, "rt", newline="") as lines:
        rows = csv.reader(lines)
        head = next(rows)
        at = [head.index(column) for column in ("time_s", *ROW, "true_soc")]
        made = _cut(name, site, ([float(row[n]) for n in at] for row in rows))
    sidecar = path.with_name(f"{name}.json")
    if sidecar.exists():
        told: dict[str, Any] = json.loads(sidecar.read_text())
        if "half_charge_crossings" in told:  # else they are found in the truth
            made.crossings = [(c["time_s"], c["dir"]) for c in told["half_charge_crossings"]]
    return made


def _cut(name: str, site: Site, rows: Iterator[list[float]]) -> Course:
    """Run filter and flows over (UTC, then ROW, then the true charge)."""
    charge, flows = ChargeFilter(site.bank), Flows(site.bank.capacity_ah)
    course = Course(name, site, 0.0)
    last_s = kept_s = -1e9
    for utc_s, volts, amps, counter, bank_c, controller_c, panel_w, soc in rows:
        if not course.truth:
            course.begin_utc_s = utc_s
        at_s = utc_s - course.begin_utc_s
        charge.step(at_s, volts, amps, counter, bank_c, controller_c, panel_w)
        piece = flows.row(at_s, volts, amps, counter, panel_w, None, controller_c)
        if piece is not None or at_s - last_s >= 300.0:
            last_s = at_s
            known = Known(
                charge.soc_frac,
                charge.soc_sigma,
                charge.capacity_ah,
                charge.capacity_sigma_ah,
                charge.soc_capacity_corr,
                charge.shunt_offset_a,
            )
            course.steps.append((at_s, piece, known))
        if at_s - kept_s >= 60.0:
            kept_s = at_s
            course.truth.append((utc_s, soc))
    course.crossings = crossings(course.truth, site.bank.half_mark)
    return course


def crossings(truth: list[tuple[float, float]], level: float) -> list[tuple[float, str]]:
    """When the true charge fell below the level, and when it rose past it again with the sets' hysteresis."""
    found: list[tuple[float, str]] = []
    below = truth[0][1] < level
    for utc_s, soc in truth:
        if not below and soc < level:
            below = True
            found.append((utc_s, "down"))
        elif below and soc > level + HYSTERESIS:
            below = False
            found.append((utc_s, "up"))
    return found


# -- the ensemble ------------------------------------------------------------------------------

PLACES = ((26.0, -80.2), (36.1, -80.0), (37.3, -81.1), (46.5, 11.3), (57.0, 12.1), (-34.9, 138.6), (-43.5, 172.6))
CHARGERS = {
    "agm": (6, 14.4, 13.7, -0.024, 9000.0, 11.1, 12.6),
    "gel": (6, 14.2, 13.7, -0.024, 9000.0, 11.1, 12.6),
    "flooded": (6, 14.6, 13.6, -0.024, 9000.0, 11.1, 12.6),
    "lifepo4": (4, 14.2, 13.5, 0.0, 3600.0, 11.8, 13.0),
}


def virtual_course(number: int, folder: Path) -> Course:
    """The month of virtual site `number`, from the folder if it was made before."""
    kept = folder / f"ahead-{number}-{VIRTUAL_ROW_S:g}s.npz"
    if kept.exists():
        made: list[list[float]] = np.load(kept)["rows"].tolist()
    else:
        made = list(_virtual_rows(number))
        folder.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(kept, rows=np.array(made))
    _, site, _ = virtual_plan(number)
    return _cut(site.place.name, site, iter(made))


def virtual_plan(number: int) -> tuple[SitePlan, Site, float]:
    """Draw site `number`: what stands there, what its owner writes down, when the month begins (UTC)."""
    chance = Random(f"ahead {number}")
    latitude, longitude = PLACES[number % len(PLACES)]
    kind = ("agm", "agm", "flooded", "gel", "lifepo4")[number % 5]
    cells, absorb_v, float_v, per_k, absorb_s, cut_v, back_v = CHARGERS[kind]
    month = chance.randrange(12)
    winter = month in ((10, 11, 0, 1) if latitude > 0 else (4, 5, 6, 7))
    panel_w = chance.uniform(32.0, 70.0) * (1.5 if winter and abs(latitude) > 45 else 1.0)
    nameplate_ah = chance.choice((20.0, 24.0, 33.0))
    error_v = chance.gauss(0.0, 0.025)
    controller = ControllerSettings(
        absorb_v=absorb_v + error_v, float_v=float_v + error_v, charge_v_per_k=per_k, absorb_s=absorb_s,
        cut_v=cut_v, back_v=back_v,
    )  # fmt: skip
    shunt = {
        "bank_v": Channel(0.01, offset=chance.gauss(0.0, 0.012), noise=0.004),
        "bank_a": Channel(0.005, offset=chance.gauss(0.0, 0.01), gain=chance.gauss(0.0, 0.006), noise=0.004),
        "bank_c": Channel(0.1, offset=chance.gauss(0.0, 0.6)),
    }
    assert set(shunt) == set(SHUNT)
    plan = SitePlan(
        latitude=latitude, longitude=longitude, height_m=chance.uniform(100.0, 1200.0), panel_w=panel_w,
        panel_tilt_deg=min(70.0, abs(latitude) + chance.uniform(0.0, 20.0)),
        panel_azimuth_deg=(180.0 if latitude > 0 else 0.0) + chance.gauss(0.0, 15.0),
        chemistry=kind, capacity_ah=nameplate_ah, cells=cells, health=chance.uniform(0.7, 1.0),
        start_soc=chance.uniform(0.6, 1.0), computer_a=chance.uniform(0.03, 0.09),
        traffic_level=chance.uniform(0.4, 1.6), controller=controller, shunt=shunt,
    )  # fmt: skip
    name = f"{number:03d} {kind} {latitude:.0f} month {month + 1}"
    place = Place(name, latitude, longitude, "UTC", round(panel_w), round(plan.panel_tilt_deg, -1))
    bank = Bank(kind, nameplate_ah, cells, 0.5, absorb_v, float_v, per_k)
    loads = {"repeater": Load("repeater", plan.idle_a, plan.transmit_a)} if number % 3 else {}
    start_utc_s = 1_735_689_600.0 + 86_400.0 * (30.4 * month + chance.uniform(0, 30))
    return plan, Site(place, bank, loads=loads), float(round(start_utc_s, -1))


def _virtual_rows(number: int) -> Iterator[list[float]]:
    """What the instruments show, row by row; some months with things that happen: traffic, snow, a load left on."""
    plan, _, start_utc_s = virtual_plan(number)
    site, chance = VirtualSite(seed=number, start_utc_s=start_utc_s, plan=plan), Random(f"events {number}")
    events = sorted(
        (chance.uniform(2.0, DAYS - 2.0) * 86_400.0, name, hours * 3600.0, changed)
        for name, share, hours, changed in (
            ("busy", 0.25, chance.uniform(4.0, 30.0), {"traffic_factor": chance.uniform(3.0, 8.0)}),
            ("extra-load", 0.5, chance.uniform(0.5, 4.0), {"extra_a": chance.uniform(0.4, 1.2)}),
            ("extra-load", 0.5, chance.uniform(0.5, 4.0), {"extra_a": chance.uniform(0.4, 1.2)}),
            ("snow", 0.15, chance.uniform(12.0, 72.0), {}),
        )
        if chance.random() < share
    )
    for row in range(1, int(DAYS * 86_400 / VIRTUAL_ROW_S) + 1):
        at_s = row * VIRTUAL_ROW_S
        while events and events[0][0] <= at_s:
            _, name, for_s, changed = events.pop(0)
            site.impose(name, for_s=for_s, **changed)
        site.advance(VIRTUAL_ROW_S)
        seen, charger = site.shown("shunt"), site.shown("controller")
        values = [seen["bank_v"], seen["bank_a"], seen["bank_ah_counter"], seen["bank_c"], charger["controller_c"]]
        values.append(charger["panel_w"])
        assert None not in values
        yield [site.utc_s, *(float(v or 0.0) for v in values), site.bank.soc_frac]


def with_half_mark(course: Course, half_mark: float) -> Course:
    """The same month with another half mark: another set of crossings to warn of."""
    site = evolve(course.site, bank=evolve(course.site.bank, half_mark=half_mark))
    return Course(
        f"{course.name} at {half_mark:g}", site, course.begin_utc_s, course.steps, course.truth,
        crossings(course.truth, half_mark), course.days,
    )  # fmt: skip
