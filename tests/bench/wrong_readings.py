"""How many wrong readings are accepted over very many polls with every fault mixed; by hand.

    python tests/bench/wrong_readings.py [--polls 100000] [--lines 48] [--seed 1] [--share 0.15] [--tcp]

`--share` is the share of answers at which a fault or a spell of faults begins; from four to nine
requests make up a poll and its proofs, so most polls have at least one. `--tcp` polls over TCP instead of
pseudo-terminals, half of the lines with Modbus/TCP frames and half with RTU frames, and mixes in wrong
transaction numbers and closed connections. `--slower 2` doubles all
time-outs, for a machine too busy to keep to 25 ms.
"""

import argparse
import asyncio
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from servers.faulty_polls import REPLY_S, SLOWEST_S, Tally, run_lines  # noqa: E402


def main() -> int:
    """Run, print the table, and answer 1 when a wrong reading was accepted."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--polls", type=int, default=100_000)
    parser.add_argument("--lines", type=int, default=48)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", type=float, default=0.15)
    parser.add_argument("--slower", type=float, default=1.0)
    parser.add_argument("--tcp", action="store_true")
    chosen = parser.parse_args()
    began_s, shown_s = time.monotonic(), 0.0

    def until(tally: Tally) -> bool:
        nonlocal shown_s
        if time.monotonic() - shown_s > 1.0:
            shown_s = time.monotonic()
            bar = f"\r{tally.polls:>8} of {chosen.polls} polls, {tally.faulty} with a fault, {tally.wrong} wrong "
            print(bar, end="", file=sys.stderr, flush=True)
        return bool(tally.polls >= chosen.polls)

    over = ("tcp", "rtu") if chosen.tcp else ("serial",)
    tally = asyncio.run(
        run_lines(chosen.seed, chosen.lines, until=until, share=chosen.share, slower=chosen.slower, over=over)
    )
    print(file=sys.stderr)
    show(tally, time.monotonic() - began_s, chosen.slower)
    return 1 if tally.wrong else 0


def show(tally: Tally, took_s: float, slower: float) -> None:
    """Print what was counted."""
    rows = [
        ("polls", tally.polls),
        ("with at least one fault", tally.faulty),
        ("readings accepted", tally.read),
        ("wrong readings accepted", tally.wrong),
        *[(f"failed: {name}", count) for name, count in sorted(tally.failed.items())],
        ("requests that were not reads", tally.writes),
        *[(f"fault: {name}", count) for name, count in sorted(tally.faults.items())],
    ]
    for name, count in rows:
        print(f"{name:<34}{count:>10}")
    print(f"time-out {REPLY_S * slower:g} s and the wire, quiet {SLOWEST_S * slower:g} s, {took_s:.0f} s in all")
    for example in tally.examples[:5]:
        print(example)


if __name__ == "__main__":
    sys.exit(main())
