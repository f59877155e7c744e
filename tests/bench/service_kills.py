"""Kill -9 the whole service many times on a simulated site, and tell what was lost, doubled or missing; by hand.

python tests/bench/service_kills.py [--kills 200] [--seed 1]
"""

import argparse
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from campaign.kills import run_kills, table  # noqa: E402


def main() -> int:
    """Run, print the table, and answer 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()

    def told(count: int) -> None:
        print(f"\r{count} of {chosen.kills} kills", end="", file=sys.stderr, flush=True)

    tally = run_kills(chosen.kills, chosen.seed, each=told)
    print(file=sys.stderr)
    print(f"seed {chosen.seed}\n{table(tally)}")
    return 1 if tally.breaches else 0


if __name__ == "__main__":
    sys.exit(main())
