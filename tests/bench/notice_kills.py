"""Kill -9 service and sender many times while alerts are raised and letters go out: what was lost or doubled; by hand.

python tests/bench/notice_kills.py [--kills 200] [--seed 1]
"""

import argparse
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from campaign.notice_kills import run_notice_kills, table  # noqa: E402


def main() -> int:
    """Run, print the table, and answer 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()

    def told(count: int) -> None:
        print(f"\r{count} of {chosen.kills} kills", end="", file=sys.stderr, flush=True)

    tally = run_notice_kills(chosen.kills, chosen.seed, each=told)
    print(file=sys.stderr)
    print(f"seed {chosen.seed}\n{table(tally)}")
    return 1 if tally.breaches else 0


if __name__ == "__main__":
    sys.exit(main())
