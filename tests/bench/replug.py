"""How long from putting a plug back, or from a device's restart, to the next reading of the real service; by hand.

    python tests/bench/replug.py [--times 10] [--out-s 12]

For a shunt that talks by itself (1 s), a unit on a serial RTU line (1 s), and a controller behind a
Modbus/TCP gateway (1 s). Each is away for `--out-s`, long enough for the service's tries to be as far
apart as they get. A reading is seen by asking the service, each 20 ms.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from servers.mixed_rig import MixedRig  # noqa: E402
from servers.site_rig import RunningService, SiteRig  # noqa: E402

LIMIT_S = 20.0


def measure(
    service: RunningService,
    instrument: str,
    away: Callable[[], None],
    back: Callable[[], None],
    times: int,
    out_s: float,
) -> list[float]:
    """Take it away and put it back so many times; the seconds until the next reading each time."""
    found = []
    for number in range(times):
        away()
        time.sleep(out_s + 0.37 * (number % 10))  # at any place between two tries
        picture = service.wait_for(lambda p: p["instruments"])
        before = picture["instruments"][instrument]["answered"]
        back()
        back_s = time.monotonic()
        service.wait_for(lambda p, least=before: p["instruments"][instrument]["answered"] > least, LIMIT_S)  # type: ignore[misc]
        found.append(time.monotonic() - back_s)
        print(f"\r{instrument:<12}{number + 1:>4} of {times}", end="", file=sys.stderr, flush=True)
    return found


def main() -> int:
    """Run, print the table, and answer 1 when one took longer than 5 s."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=10)
    parser.add_argument("--out-s", type=float, default=12.0)
    chosen = parser.parse_args()
    rows: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        with MixedRig(Path(folder) / "mixed", shunt_s=1.0) as mixed:
            service = mixed.start()
            service.wait_until_reading()
            tries = chosen.times, chosen.out_s
            rows["text, serial"] = measure(service, "shunt", mixed.port.vanish, mixed.port.come_back, *tries)
            rows["Modbus/TCP"] = measure(service, "controller", mixed.tcp_port.stop, mixed.tcp_port.start, *tries)
        with SiteRig(Path(folder) / "serial", shunt_s=1.0) as serial:
            service = serial.start()
            service.wait_until_reading()
            rows["RTU, serial"] = measure(service, "shunt", serial.port.vanish, serial.port.come_back, *tries)
    print(file=sys.stderr)
    print(f"{'way in':<16}{'times':>6}{'median s':>10}{'longest s':>11}")
    for name, found in rows.items():
        print(f"{name:<16}{len(found):>6}{median(found):>10.2f}{max(found):>11.2f}")
    return 1 if max(max(found) for found in rows.values()) > 5.0 else 0


if __name__ == "__main__":
    sys.exit(main())
