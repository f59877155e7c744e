"""What each part of the charge filter is worth, and how much hangs on each published band.

    python tests/bench/filter_parts.py --sets FOLDER [--kept FOLDER] [--sites N] [--bands]

Each part is left out in turn, on the truth sets and on N virtual sites (12); --bands moves each band by one
standard error either way instead, on the truth sets. Points of charge; the first day is not scored.
"""

import argparse
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from multiprocessing import Pool
from pathlib import Path
from typing import Any

from attrs import evolve, fields

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench.filter_matrix import PROCESSES, Run, judge  # noqa: E402
from bench.truth_score import read_set  # noqa: E402
from bench.virtual_months import month  # noqa: E402

from shared import bank_belief  # noqa: E402
from shared.bank_belief import BankBelief  # noqa: E402
from shared.charge import ChargeFilter  # noqa: E402
from shared.chemistry import CHEMISTRIES, Band, Chemistry  # noqa: E402
from shared.covariance import forget  # noqa: E402
from shared.site import Bank  # noqa: E402

ROW = ("time_s", "bank_v", "bank_a", "bank_ah_counter", "bank_c", "controller_c", "panel_w")
NEVER_SURE = 1e-9


def still(*states: int) -> Callable[[ChargeFilter], None]:
    """Take these states for known and never let them move."""

    def change(made: ChargeFilter) -> None:
        for state in states:
            forget(made.belief.p, state, NEVER_SURE)
            made.belief._drift_per_s[state] = 0.0

    return change


def deaf(*evidence: str) -> Callable[[ChargeFilter], None]:
    """Leave kinds of evidence out."""
    names = {name: (lambda *_: False) for name in evidence}

    def change(made: ChargeFilter) -> None:
        made.belief.__class__ = type("Deaf", (BankBelief,), {"__slots__": (), **names})

    return change


PARTS: Mapping[str, Callable[[ChargeFilter], None]] = {
    "everything": lambda _: None,
    "no offset": still(bank_belief.OFFSET),
    "no capacity": still(bank_belief.CAPACITY),
    "no efficiency": still(bank_belief.EFFICIENCY),
    "no gassing spread": still(bank_belief.GASSING),
    "no level": still(bank_belief.LEVEL),
    "no fall": still(bank_belief.FALL),
    "no slow": deaf("_relax"),
    "no acceptance spread": still(bank_belief.ACCEPTANCE),
    "no hold-back spread": still(bank_belief.HOLD_BACK),
    "no accepted current": deaf("see_accepted"),
    "no rest voltage": deaf("see_rest", "see_low"),
    "no knee": deaf("see_low"),
    "no resistance": deaf("see_ohm"),
}


def moved_bands(row: Chemistry) -> Iterator[tuple[str, Chemistry]]:
    """Every band by one standard error up and down."""
    for spec in fields(Chemistry):
        band = getattr(row, spec.name)
        if isinstance(band, Band):
            for sign in (1.0, -1.0):
                value = max(1e-6, band.value + sign * band.sigma)
                changed: dict[str, Any] = {spec.name: evolve(band, value=value)}
                yield f"{spec.name} {sign:+.0f}", evolve(row, **changed)


def runs(what: tuple[Path | None, int, Path, bool]) -> list[Run]:
    """One worker's share: every way on one set or site."""
    path, number, folder, bands = what
    bank: Bank
    if path is not None:
        one = read_set(path)
        bank, name, columns = one.bank, one.name, one.columns
        capacity_ah, offset_a = one.answers["true_capacity_ah"], one.answers["sensor_bias"]["i_offset"]
    else:
        site = month(number, folder)
        bank, name, columns, capacity_ah, offset_a = (
            site.bank, site.name, site.columns, site.capacity_ah, site.offset_a
        )  # fmt: skip
    row = CHEMISTRIES[bank.chemistry]
    ways: list[tuple[str, Chemistry, Callable[[ChargeFilter], None]]]
    if bands:
        ways = [("as published", row, PARTS["everything"])]
        ways += [(way, chemistry, PARTS["everything"]) for way, chemistry in moved_bands(row)]
    else:
        ways = [(way, row, change) for way, change in PARTS.items()]
    kind = "sites" if path is None else "sets"
    out = []
    for way, chemistry, change in ways:
        made = ChargeFilter(bank, chemistry=chemistry)
        change(made)
        rows = [columns[column] for column in ROW]
        out.append(judge(f"{kind}: {way}", name, made, rows, columns["true_soc"], 0, capacity_ah, offset_a))
    return out


def main(words: Sequence[str] | None = None) -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=Path, metavar="FOLDER", required=True)
    parser.add_argument("--kept", type=Path, metavar="FOLDER", default=Path(tempfile.gettempdir()) / "virtual-months")
    parser.add_argument("--sites", type=int, default=12)
    parser.add_argument("--bands", action="store_true")
    asked = parser.parse_args(words)
    tasks: list[tuple[Path | None, int, Path, bool]] = [
        (path, 0, asked.kept, asked.bands) for path in sorted(asked.sets.glob("*.csv.gz"))
    ]
    if not asked.bands:
        # Every third site, so that all chemistries are among them.
        tasks += [(None, 3 * number, asked.kept, False) for number in range(asked.sites)]
    with Pool(PROCESSES) as pool:
        found = [run for part in pool.imap_unordered(runs, tasks, chunksize=1) for run in part]
    print(f"{'':32s}{'runs':>5s}{'rmse':>8s}{'worst':>8s}{'p95':>8s}{'cover':>8s}{'least':>8s}{'sigma':>8s}{'wrong':>8s}"
          f"{'|cap|%':>8s}{'|off| mA':>9s}")  # fmt: skip
    for family in sorted({run.family for run in found}, key=lambda f: (f[:5], f)):
        part = [run for run in found if run.family == family]
        mean = statistics.fmean
        print(
            f"{family:32s}{len(part):5d}{mean(r.rmse for r in part):8.2f}{max(r.rmse for r in part):8.2f}"
            f"{max(r.p95 for r in part):8.2f}{mean(r.coverage for r in part):8.1f}{min(r.coverage for r in part):8.1f}"
            f"{mean(r.sigma for r in part):8.2f}{max(r.wrong_side for r in part):8.2f}"
            f"{mean(abs(r.capacity) for r in part):8.1f}{mean(abs(r.offset_ma) for r in part):9.1f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
