"""Run the charge filter over a folder of truth sets and print how far off it is, beside two simple ways.

    python tests/bench/truth_score.py [FOLDER] [--plot FOLDER] [--estimates FOLDER] [--only NAME ...]
        [--half-mv MV] [--acceptance FACTOR] [--no-counter] [--no-shunt] [--start-known]

A set is NAME.csv.gz with true_soc, perhaps NAME.json with the true capacity and the sensor errors, and a
site file NAME.toml, in the folder or in tests/truth. The start is unknown unless asked otherwise. The
first day is not scored. Points are hundredths of the state of charge. `--half-mv` moves the prior rest voltage at half
charge, `--acceptance` multiplies the prior acceptance: how much hangs on the published bands.

Simple ways, for honesty: `counting` starts from the true charge and counts with the nameplate;
`voltage` reads a rest-voltage table in the dark at small currents and holds between.
"""

import argparse
import csv
import gzip
import json
import math
import statistics
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve

from daemon.configuration import load_replay_site
from shared.charge import ChargeFilter
from shared.chemistry import CHEMISTRIES, Chemistry
from shared.rest_voltage import table_soc
from shared.site import Bank

HERE = Path(__file__).resolve().parent
TRUTH = HERE.parent / "truth"
SETTLE_S = 86_400.0
LOOK_EVERY = 2160  # rows
ROW = ("bank_v", "bank_a", "bank_ah_counter", "bank_c", "controller_c", "panel_w")


@dataclass
class TruthSet:
    """One set: its columns as lists, the owner's bank, the answers."""

    name: str
    bank: Bank
    columns: Mapping[str, list[float]]
    answers: Mapping[str, Any]

    @property
    def time_s(self) -> list[float]:
        return self.columns["time_s"]


@dataclass
class Estimate:
    """One way's answer, a value a row."""

    soc: list[float]
    sigma: list[float] = field(default_factory=list)
    last: ChargeFilter | None = None
    step_us: float = 0.0
    capacity: list[tuple[float, float]] = field(default_factory=list)
    offset_a: list[float] = field(default_factory=list)
    least_eigenvalue: float = math.inf  # of the covariance, looked at each six hours


def read_set(path: Path) -> TruthSet:
    name = path.name.removesuffix(".csv.gz")
    site_file = path.with_name(f"{name}.toml")
    if not site_file.exists():
        site_file = TRUTH / f"{name}.toml"
    answers = path.with_name(f"{name}.json")
    with gzip.open(path, "rt", newline="") as lines:
        rows = csv.reader(lines)
        head = next(rows)
        columns = dict(zip(head, ([float(v) for v in column] for column in zip(*rows, strict=True)), strict=True))
    bank = load_replay_site(site_file).bank
    return TruthSet(name, bank, columns, json.loads(answers.read_text()) if answers.exists() else {})


def by_filter(one: TruthSet, options: argparse.Namespace) -> Estimate:
    made = ChargeFilter(
        one.bank,
        has_shunt=not options.no_shunt,
        start_soc=one.columns["true_soc"][0] if options.start_known else None,
        chemistry=moved(CHEMISTRIES[one.bank.chemistry], options.half_mv, options.acceptance),
    )
    columns: list[Sequence[float | None]] = [one.columns[name] for name in ROW]
    if options.no_counter or options.no_shunt:
        columns[2] = [None] * len(one.time_s)
    out = Estimate([], last=made)
    soc, sigma, capacity, offset, step = out.soc, out.sigma, out.capacity, out.offset_a, made.step
    for row in zip(one.time_s, *columns, strict=True):
        step(*row)
        soc.append(made.soc_frac)
        sigma.append(made.soc_sigma)
        capacity.append((made.capacity_ah, made.capacity_sigma_ah))
        offset.append(made.shunt_offset_a)
        if len(soc) % LOOK_EVERY == 0:
            out.least_eigenvalue = min(out.least_eigenvalue, float(np.linalg.eigvalsh(np.array(made.belief.p))[0]))
    rows = list(zip(one.time_s, *columns, strict=True))
    step = ChargeFilter(one.bank, has_shunt=made.has_shunt).step
    began_s = time.process_time()
    for row in rows:
        step(*row)
    out.step_us = 1e6 * (time.process_time() - began_s) / len(rows)
    return out


def by_counting(one: TruthSet, _: argparse.Namespace) -> Estimate:
    soc, out, last_s = one.columns["true_soc"][0], [], one.time_s[0]
    for at_s, amps in zip(one.time_s, one.columns["bank_a"], strict=True):
        if abs(amps) < one.bank.capacity_ah:
            soc = min(1.0, max(0.0, soc + amps * (at_s - last_s) / 3600.0 / one.bank.capacity_ah))
        out.append(soc)
        last_s = at_s
    return Estimate(out)


def by_voltage(one: TruthSet, _: argparse.Namespace) -> Estimate:
    row, bank, soc, out = CHEMISTRIES[one.bank.chemistry], one.bank, 0.5, []
    quiet_a = 0.02 * bank.capacity_ah
    columns = one.columns
    for volts, amps, bank_c, watts in zip(
        columns["bank_v"], columns["bank_a"], columns["bank_c"], columns["panel_w"], strict=True
    ):
        if -quiet_a < amps <= 0.0 and watts < 0.5 and volts < 3.0 * bank.cells:
            soc += 0.05 * (table_soc(row, volts / bank.cells, bank_c) - soc)
        out.append(soc)
    return Estimate(out)


def score(one: TruthSet, made: Estimate) -> dict[str, float]:
    """Figures of one estimate in points; a figure that can't be told is nan."""
    at_s, truth = np.array(one.time_s), np.array(one.columns["true_soc"])
    judged = at_s >= at_s[0] + SETTLE_S
    soc, truth = np.array(made.soc)[judged], truth[judged]
    off = 100.0 * (soc - truth)
    out = {
        "rmse": math.sqrt(float(np.mean(off**2))), "p95": float(np.percentile(np.abs(off), 95)),
        "max": float(np.max(np.abs(off))), "bias": float(np.mean(off)),
        "wrong side": 100.0 * float(np.mean((soc < 0.5) != (truth < 0.5))),
    }  # fmt: skip
    if made.sigma:
        sigma = 100.0 * np.array(made.sigma)[judged]
        out["coverage"] = 100.0 * float(np.mean(np.abs(off) <= 2.0 * sigma))
        out["sigma"] = float(np.mean(sigma))
        out["step us"] = made.step_us
        out["least eig"] = made.least_eigenvalue
    if made.last and "true_capacity_ah" in one.answers:
        out["capacity %"] = 100.0 * (made.last.capacity_ah / one.answers["true_capacity_ah"] - 1.0)
        out["capacity +-"] = 100.0 * made.last.capacity_sigma_ah / made.last.capacity_ah
    if made.last and "sensor_bias" in one.answers:
        true_a = one.answers["sensor_bias"]["i_offset"]
        out["offset mA"] = 1000.0 * (made.last.shunt_offset_a - true_a)
        later = int(np.searchsorted(at_s, at_s[0] + 14 * SETTLE_S))
        if later < len(made.offset_a):
            out["14 d mA"] = 1000.0 * (made.offset_a[later] - true_a)
    return out


COLUMNS = (
    "rmse", "p95", "max", "bias", "coverage", "sigma", "wrong side", "capacity %", "capacity +-", "offset mA",
    "14 d mA", "step us", "least eig",
)  # fmt: skip
WAYS: Mapping[str, Callable[[TruthSet, argparse.Namespace], Estimate]] = {
    "filter": by_filter, "counting": by_counting, "voltage": by_voltage,
}  # fmt: skip


def table(way: str, scored: Mapping[str, Mapping[str, float]]) -> str:
    lines = [f"{way:18s}" + "".join(f"{name:>12s}" for name in COLUMNS)]
    for name, figures in scored.items():
        lines.append(f"{name:18s}" + "".join(shown(figures.get(c), c) for c in COLUMNS))
    mean = statistics.fmean(figures["rmse"] for figures in scored.values())
    worst = max(figures["rmse"] for figures in scored.values())
    lines.append(f"mean RMSE {mean:.2f}, worst {worst:.2f} points")
    if way == "filter":
        sigma = statistics.fmean(figures["sigma"] for figures in scored.values())
        year_s = statistics.fmean(figures["step us"] for figures in scored.values()) * 365.25 * 8640 / 1e6
        lines[-1] += f", mean sigma {sigma:.2f}; a year at 10 s takes {year_s:.1f} s"
    return "\n".join(lines)


def shown(figure: float | None, column: str) -> str:
    """One figure of the table, as wide as its head."""
    if figure is None:
        return f"{'-':>12s}"
    return f"{figure:12.1e}" if column == "least eig" else f"{figure:12.2f}"


def plot(one: TruthSet, made: Estimate, folder: Path) -> None:
    """Truth, estimate and its band over the days."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    days = (np.array(one.time_s) - one.time_s[0]) / 86_400.0
    soc, sigma = np.array(made.soc), np.array(made.sigma)
    figure, (upper, lower) = pyplot.subplots(2, 1, figsize=(12, 7), sharex=True, height_ratios=(3, 1))
    upper.fill_between(days, 100 * (soc - 2 * sigma), 100 * (soc + 2 * sigma), alpha=0.25, label="estimate +- 2 sigma")
    upper.plot(days, 100 * soc, label="estimate")
    upper.plot(days, 100 * np.array(one.columns["true_soc"]), "k", linewidth=0.8, label="truth")
    upper.axhline(100 * one.bank.half_mark, color="r", linewidth=0.6)
    upper.set(ylabel="state of charge, %", ylim=(0, 105), title=one.name)
    upper.legend(loc="lower left")
    lower.plot(days, [c for c, _ in made.capacity])
    lower.axhline(one.columns["true_capacity_ah"][0], color="k", linewidth=0.8)
    lower.set(ylabel="capacity, Ah", xlabel="days")
    folder.mkdir(parents=True, exist_ok=True)
    figure.savefig(folder / f"{one.name}.png", dpi=90, bbox_inches="tight")
    pyplot.close(figure)


def write_estimates(one: TruthSet, made: Estimate, folder: Path) -> None:
    """The columns `halfmark replay` writes, for another scorer."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / f"{one.name}.csv").open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(
            ("time_s", "est_soc", "est_sigma", "est_capacity_ah", "est_capacity_sigma_ah", "est_shunt_offset_a")
        )
        rows = zip(one.time_s, made.soc, made.sigma, made.capacity, made.offset_a, strict=True)
        writer.writerows((f"{t:.0f}", f"{s:.5f}", f"{g:.5f}", c, e, o) for t, s, g, (c, e), o in rows)


def moved(row: Chemistry, half_mv: float, acceptance: float) -> Chemistry:
    """The published bands, moved: how much do the figures hang on them?"""
    cells = 4 if row.rest_points else 6
    half_v = half_mv / 1000.0 / cells
    steeper = evolve(row.fall_v_cell, value=row.fall_v_cell.value - 2.0 * half_v)
    points = tuple((s, v + half_v * (1.0 - abs(2.0 * s - 1.0))) for s, v in row.rest_points)
    per_h = None if row.acceptance_per_h is None else row.acceptance_per_h * acceptance
    return evolve(row, fall_v_cell=steeper, rest_points=points, acceptance_per_h=per_h)


def options(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=TRUTH, help="where the sets are (tests/truth)")
    parser.add_argument("--only", nargs="+", metavar="NAME")
    parser.add_argument("--plot", type=Path, metavar="FOLDER")
    parser.add_argument("--estimates", type=Path, metavar="FOLDER")
    parser.add_argument("--half-mv", type=float, default=0.0)
    parser.add_argument("--acceptance", type=float, default=1.0)
    parser.add_argument("--no-counter", action="store_true", help="without the shunt's own Ah counter")
    parser.add_argument("--no-shunt", action="store_true", help="as a site that forms its current from the controller")
    parser.add_argument("--start-known", action="store_true")
    return parser.parse_args(words)


def main(words: Sequence[str] | None = None) -> int:
    asked = options(words)
    paths = [p for p in sorted(asked.folder.glob("*.csv.gz")) if not asked.only or p.name[:-7] in asked.only]
    scored: dict[str, dict[str, dict[str, float]]] = {way: {} for way in WAYS}
    for path in paths:
        one = read_set(path)
        for way, estimate in WAYS.items():
            made = estimate(one, asked)
            scored[way][one.name] = score(one, made)
            if way == "filter" and asked.plot:
                plot(one, made, asked.plot)
            if way == "filter" and asked.estimates:
                write_estimates(one, made, asked.estimates)
    if not paths:
        print(f"no set in {asked.folder}", file=sys.stderr)
        return 2
    print("\n\n".join(table(way, figures) for way, figures in scored.items()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
