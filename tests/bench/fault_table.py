"""Each fault once at the true pace (shunt 1 s, controller 10 s, commit 10 s): what the operator sees, and how long.

    python tests/bench/fault_table.py [--seed 1] [--quick] [--only NAME ...] [--minutes N]

"shows" is from the fault's beginning until the operator can read the words; "reads" from its end until the next
reading of any instrument; "well" from its end until every line is up, every instrument (or the one that was
struck) has answered again and the record takes what comes; the controller's turn comes each 10 s only.
With --minutes faults are
struck in a seeded order for that long instead of once each; with --quick at the pace of the tests.
Needs to be root, or a user who may have mounts of his own.
"""

import argparse
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from campaign.mixed_scene import MIXED_QUICK_PACE, MIXED_TRUE_PACE, MixedScene  # noqa: E402
from campaign.outward_faults import MIXED_FAULTS  # noqa: E402
from campaign.runner import FaultRow  # noqa: E402
from campaign.scene import QUICK_PACE, TRUE_PACE, Pace, Scene  # noqa: E402
from campaign.verdict import FAULTS, MakeScene, campaign_apart, table  # noqa: E402

ONCE_MOST_S = 3600.0


def main() -> int:
    """Run, print the table, and answer 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", nargs="+", default=["all"], metavar="NAME", help="names of faults or of families")
    parser.add_argument("--minutes", type=float)
    chosen = parser.parse_args()
    scenes: list[tuple[MakeScene, tuple[FaultRow, ...], Pace]] = [
        (Scene, FAULTS, QUICK_PACE if chosen.quick else TRUE_PACE),
        (MixedScene, MIXED_FAULTS, MIXED_QUICK_PACE if chosen.quick else MIXED_TRUE_PACE),
    ]
    is_broken = False
    for make_scene, all_rows, pace in scenes:
        rows = [row for row in all_rows if not {"all", row.name, row.family}.isdisjoint(chosen.only)]
        if not rows:
            continue
        verdict = campaign_apart(
            seed=chosen.seed,
            seconds=ONCE_MOST_S if chosen.minutes is None else 60.0 * chosen.minutes,
            pace=pace,
            rows=rows,
            once=chosen.minutes is None,
            finish_s=60.0,
            make_scene=make_scene,
        )
        print(f"seed {chosen.seed}, {len(rows)} kinds of fault\n{table(verdict)}\n", flush=True)
        is_broken = is_broken or bool(verdict.breaches)
    return 1 if is_broken else 0


if __name__ == "__main__":
    sys.exit(main())
