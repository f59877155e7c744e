"""How long a notice takes from its rule holding to the first way out, at a site's usual pace; by hand.

The real service, its `send`, a simulated site on a pseudo-terminal, a mail server on loopback. The shunt is read each
second, the controller each ten, the record committed each ten: all of it as the example sites have it. "rule holds" is
the first reading past the limit; "on the wire" is when the instrument first showed it.

python tests/bench/notice_delay.py [--rounds 2] [--runs 3]
"""

import argparse
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from servers.notice_rig import NoticeDelay, measure_delays  # noqa: E402
from servers.records import open_folder  # noqa: E402
from shared.alerts import FLAPS_MOST  # noqa: E402

TARGET_S = 10.0


def main() -> int:
    """Run, print the table, and answer 1 when the target was missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=FLAPS_MOST)
    parser.add_argument("--runs", type=int, default=3)
    chosen = parser.parse_args()
    found: list[NoticeDelay] = []
    for _ in range(chosen.runs):
        with open_folder() as folder:
            found += measure_delays(folder, rounds=chosen.rounds)
    print(f"{len(found)} notices      {'median':>8} {'mean':>8} {'longest':>8}")
    for name, values in (
        ("rule holds", sorted(d.from_reading_s for d in found)),
        ("on the wire", sorted(d.from_wire_s for d in found)),
    ):
        middle, mean = values[len(values) // 2], sum(values) / len(values)
        print(f"from {name:<12} {middle:>8.2f} {mean:>8.2f} {values[-1]:>8.2f} s")
    return 1 if max(d.from_reading_s for d in found) > TARGET_S else 0


if __name__ == "__main__":
    sys.exit(main())
