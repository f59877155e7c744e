"""What garbage does to the decoders: exceptions, and readings from records whose checksum is not right; by hand.

    python tests/bench/decoder_fuzz.py [--inputs 1000000] [--seed 1]

Half of the inputs are register answers (RTU, Modbus/TCP, then the registers themselves), half are pieces
of text streams. An 8-bit checksum is right by chance for one damaged record in 256: such a reading is
no error of the decoder, so a judge of its own looks whether the checksum was right.
"""

import argparse
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from servers.decoder_garbage import GarbageTally, run_garbage  # noqa: E402

STEP = 5000


def main() -> int:
    """Run, print the table, and answer 1 when there was an exception or an unfounded reading."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    began_s, whole = time.monotonic(), GarbageTally()
    for number in range(0, chosen.inputs, STEP):
        one = run_garbage(chosen.seed * 1_000_003 + number, min(STEP, chosen.inputs - number))
        whole.inputs += one.inputs
        whole.exceptions += one.exceptions
        whole.readings += one.readings
        whole.unfounded += one.unfounded
        whole.kinds.update(one.kinds)
        whole.examples += one.examples[:5]
        print(f"\r{whole.inputs:>9} of {chosen.inputs}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    rows = [
        ("inputs", whole.inputs),
        ("exceptions", whole.exceptions),
        ("readings and answers accepted", whole.readings),
        ("of these with a wrong checksum", whole.unfounded),
        *sorted(whole.kinds.items()),
        ("seconds", round(time.monotonic() - began_s)),
    ]
    for name, count in rows:
        print(f"{name:<34}{count:>10}")
    for example in whole.examples[:5]:
        print(example)
    return 1 if whole.exceptions or whole.unfounded else 0


if __name__ == "__main__":
    sys.exit(main())
