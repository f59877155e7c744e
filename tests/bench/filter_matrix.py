"""Judge the charge filter on many starts, sites, instruments and priors at once, and print a table.

    python tests/bench/filter_matrix.py --sets FOLDER [--kept FOLDER] [--sites N] [--family TEXT ...] [--all]

FOLDER holds truth sets (NAME.csv.gz with NAME.json; site files in tests/truth). --kept keeps the virtual
months, whose making takes 4 s each. Each line is a family of runs: the truth sets from several days on,
with moved priors, with instruments missing; virtual sites likewise. --family runs only those with one of
the texts in their name. Runs that hold the truth less than nine times in ten are printed one by one,
with --all every run. The first day of a run is not scored. Two processes.
"""

import argparse
import math
import statistics
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench.truth_score import moved, read_set  # noqa: E402
from bench.virtual_months import month  # noqa: E402

from shared.charge import ChargeFilter  # noqa: E402
from shared.chemistry import CHEMISTRIES, Chemistry  # noqa: E402
from shared.site import Bank  # noqa: E402

PROCESSES = 2
SCORE_EVERY = 6  # rows
Columns = Sequence[Sequence[float | None]]


@dataclass(frozen=True)
class Run:
    """One run of the filter: which data, what was changed about it, and how it came out (points; Ah in %)."""

    family: str
    data: str
    rmse: float
    p95: float
    worst: float
    coverage: float
    sigma: float
    wrong_side: float
    capacity: float
    capacity_z: float
    offset_z: float
    offset_ma: float


def judge(
    family: str, data: str, made: ChargeFilter, columns: Columns, truth: Sequence[float], from_row: int,
    capacity_ah: float, offset_a: float | None,
) -> Run:  # fmt: skip
    """Run `made` over the rows from `from_row` on and score it."""
    soc, sigma = [], []
    step = made.step
    for i, row in enumerate(zip(*(column[from_row:] for column in columns), strict=True)):
        step(*row)
        if i % SCORE_EVERY == 0:
            soc.append(made.soc_frac)
            sigma.append(made.soc_sigma)
    at_s = np.array(columns[0][from_row:][::SCORE_EVERY])
    judged = at_s >= at_s[0] + 86_400.0
    s, g = np.array(soc)[judged], np.array(sigma)[judged]
    t = np.array(truth[from_row:][::SCORE_EVERY])[judged]
    off = 100.0 * (s - t)
    return Run(
        family, data, math.sqrt(float(np.mean(off**2))), float(np.percentile(np.abs(off), 95)),
        float(np.max(np.abs(off))), 100.0 * float(np.mean(np.abs(off) <= 200.0 * g)), 100.0 * float(np.mean(g)),
        100.0 * float(np.mean((s < 0.5) != (t < 0.5))), 100.0 * (made.capacity_ah / capacity_ah - 1.0),
        (made.capacity_ah - capacity_ah) / made.capacity_sigma_ah,
        math.nan if offset_a is None else (made.shunt_offset_a - offset_a) / made.shunt_offset_sigma_a,
        math.nan if offset_a is None else 1000.0 * (made.shunt_offset_a - offset_a),
    )  # fmt: skip


def set_runs(path: Path, wanted: Sequence[str]) -> Iterator[Run]:
    """Every run on one truth set."""
    one = read_set(path)
    names = ("time_s", "bank_v", "bank_a", "bank_ah_counter", "bank_c", "controller_c", "panel_w")
    full: list[Sequence[float | None]] = [one.columns[name] for name in names]
    nothing: list[None] = [None] * len(one.time_s)
    row = CHEMISTRIES[one.bank.chemistry]
    capacity_ah, offset_a = one.answers["true_capacity_ah"], one.answers["sensor_bias"]["i_offset"]

    def run(family: str, columns: Columns, chemistry: Chemistry, day: int = 0, every: int = 1) -> Iterator[Run]:
        if not any(text in family for text in wanted):
            return
        from_row = int(np.searchsorted(one.time_s, one.time_s[0] + 86_400.0 * day))
        made = ChargeFilter(one.bank, chemistry=chemistry)
        columns, truth = [column[::every] for column in columns], one.columns["true_soc"][::every]
        yield judge(family, one.name, made, columns, truth, from_row // every, capacity_ah, offset_a)

    for day in (0, 5, 10, 14, 20):
        yield from run(f"sets from day {day}", full, row, day)
    for half_mv in (60.0, -60.0):
        yield from run(f"sets, half {half_mv:+.0f} mV", full, moved(row, half_mv, 1.0))
    for factor in (0.7, 1.3):
        yield from run(f"sets, acceptance x{factor}", full, moved(row, 0.0, factor))
    yield from run("sets, no counter", [*full[:3], nothing, *full[4:]], row)
    yield from run("sets, no bank thermometer", [*full[:4], nothing, *full[5:]], row)
    yield from run("sets, no thermometer", [*full[:4], nothing, nothing, full[6]], row)
    yield from run("sets, no panel power", [*full[:6], nothing], row)
    yield from run("sets, a row a minute", full, row, every=6)


def site_runs(number: int, folder: Path, wanted: Sequence[str]) -> Iterator[Run]:
    """Every run on one virtual site."""
    one = month(number, folder)
    c = one.columns
    full: list[Sequence[float | None]] = [
        c[name] for name in ("time_s", "bank_v", "bank_a", "bank_ah_counter", "bank_c", "controller_c", "panel_w")
    ]
    nothing: list[None] = [None] * len(c["time_s"])
    net_a = [charge - load - one.steady_a for charge, load in zip(c["charge_a"], c["load_a"], strict=True)]
    bank: Bank = one.bank

    def run(family: str, columns: Columns, day: int = 0, has_shunt: bool = True, every: int = 1) -> Iterator[Run]:
        if not any(text in family for text in wanted):
            return
        made = ChargeFilter(bank, has_shunt=has_shunt)
        offset_a = one.offset_a if has_shunt else None
        columns, truth = [column[::every] for column in columns], c["true_soc"][::every]
        yield judge(family, one.name, made, columns, truth, day * 8640 // every, one.capacity_ah, offset_a)

    kind = "lithium" if bank.chemistry == "lifepo4" else "lead"
    for day in (0, 10, 20):
        yield from run(f"{kind} sites from day {day}", full, day)
    yield from run(f"{kind} sites, a row a minute", full, every=6)
    yield from run(f"{kind} sites, no counter", [*full[:3], nothing, *full[4:]])
    yield from run(f"{kind} sites, no bank thermometer", [*full[:4], nothing, *full[5:]])
    yield from run(f"{kind} sites, no thermometer", [*full[:4], nothing, nothing, full[6]])
    yield from run(
        f"{kind} sites, no shunt",
        [c["time_s"], c["controller_v"], net_a, nothing, nothing, c["controller_c"], c["panel_w"], c["charge_a"]],
        has_shunt=False,
    )


def task(what: tuple[Path | None, int, Path, Sequence[str]]) -> list[Run]:
    """One worker's share: a set or a site."""
    path, number, folder, wanted = what
    return list(set_runs(path, wanted) if path is not None else site_runs(number, folder, wanted))


HEAD = (
    f"{'':30s}{'runs':>5s}{'rmse':>7s}{'worst':>7s}{'p95':>7s}{'max':>7s}{'cover':>7s}{'least':>7s}{'<90':>4s}{'sigma':>7s}"
    f"{'wrong':>7s}{'cap|%|':>7s}{'cap z':>7s}{'off z':>7s}{'off mA':>7s}"
)


def line(name: str, runs: Sequence[Run]) -> str:
    """A line of the table: means; worst of RMSE, p95, greatest error, wrong side and offset; least coverage."""

    def rms(values: Sequence[float]) -> float:
        kept = [value for value in values if not math.isnan(value)]
        return math.sqrt(statistics.fmean(v * v for v in kept)) if kept else math.nan

    return (
        f"{name:30s}{len(runs):5d}{statistics.fmean(r.rmse for r in runs):7.2f}{max(r.rmse for r in runs):7.2f}"
        f"{max(r.p95 for r in runs):7.2f}{max(r.worst for r in runs):7.2f}"
        f"{statistics.fmean(r.coverage for r in runs):7.1f}{min(r.coverage for r in runs):7.1f}"
        f"{sum(r.coverage < 90.0 for r in runs):4d}{statistics.fmean(r.sigma for r in runs):7.2f}"
        f"{max(r.wrong_side for r in runs):7.2f}{rms([r.capacity for r in runs]):7.2f}"
        f"{rms([r.capacity_z for r in runs]):7.2f}{rms([r.offset_z for r in runs]):7.2f}"
        f"{max((abs(r.offset_ma) for r in runs), default=math.nan):7.2f}"
    )


def main(words: Sequence[str] | None = None) -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=Path, metavar="FOLDER")
    parser.add_argument("--kept", type=Path, metavar="FOLDER", default=Path(tempfile.gettempdir()) / "virtual-months")
    parser.add_argument("--sites", type=int, default=30)
    parser.add_argument("--family", nargs="+", metavar="TEXT", default=[""])
    parser.add_argument("--all", action="store_true")
    asked = parser.parse_args(words)
    tasks: list[tuple[Path | None, int, Path, Sequence[str]]] = []
    if asked.sets:
        tasks += [(path, 0, asked.kept, asked.family) for path in sorted(asked.sets.glob("*.csv.gz"))]
    tasks += [(None, number, asked.kept, asked.family) for number in range(asked.sites)]
    with Pool(PROCESSES) as pool:
        runs = [run for part in pool.imap_unordered(task, tasks, chunksize=1) for run in part]
    runs.sort(key=lambda r: (r.family, r.data))
    families = list(dict.fromkeys(r.family for r in sorted(runs, key=lambda r: (not r.family.startswith("sets"), 0))))
    print(HEAD)
    for family in families:
        members = [r for r in runs if r.family == family]
        print(line(family, members))
        for r in members:
            if asked.all or r.coverage < 90.0:
                print(line(f"    {r.data}", [r]) + f"   capacity {r.capacity:+.1f} % offset {r.offset_ma:+.1f} mA")
    lead = [r for r in runs if "lithium" not in r.family]
    print(line("all", runs))
    print(f"runs below 90 %: {sum(r.coverage < 90 for r in runs)}, of lead-acid {sum(r.coverage < 90 for r in lead)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
