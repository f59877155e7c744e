"""What the simulated site costs: processor time of a month of past, of a live second, of a poll.

By hand: python tests/bench/virtual_site_speed.py
"""

import os
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from drivers.virtual.port import VirtualPort  # noqa: E402
from drivers.virtual.register_tables import RegisterTable  # noqa: E402
from drivers.virtual.ridge import DAYS, cold_fork_ridge  # noqa: E402
from drivers.virtual.rtu_line import RtuLine  # noqa: E402
from drivers.virtual.rtu_units import RtuUnit  # noqa: E402

NOW_S = datetime(2026, 11, 11, 15, 20, tzinfo=UTC).timestamp()
POLLS = 2_000


def main() -> None:
    """Measure and print a table."""
    start_s = time.process_time()
    site = cold_fork_ridge(now_utc_s=NOW_S)
    made_s = time.process_time() - start_s
    rows = [("finding the month's weather", f"{made_s:.2f} s")]

    steps = DAYS * 8640
    start_s = time.process_time()
    for _ in range(steps):
        site.advance(10.0)
        site.observe()
    past_s = time.process_time() - start_s
    rows.append((f"{steps} steps of 10 s, all instruments read", f"{past_s:.2f} s, {past_s / steps * 1e6:.1f} us each"))

    tables = {name: ROOT / "config" / "maps" / f"example-{name}.toml" for name in ("shunt", "controller")}
    units = {
        name: RtuUnit(number, RegisterTable.parse(tables[name].read_text()))
        for name, number in (("shunt", 2), ("controller", 1))
    }
    start_s = time.process_time()
    for second in range(3600):
        site.advance(1.0)
        for name, unit in units.items():
            unit.show(site.shown(name), float(second))
    live_s = (time.process_time() - start_s) / 3600.0
    rows.append(("a live second, shown on both units", f"{live_s * 1e6:.0f} us, {live_s * 86400:.1f} s a day"))

    with VirtualPort(RtuLine(units.values())) as port:
        client = os.open(port.path, os.O_RDWR | os.O_NOCTTY)
        start_s, wall_s = time.process_time(), time.monotonic()
        for _ in range(POLLS):
            os.write(client, bytes.fromhex("02 04 05 E6 00 07 50 C0"))
            got = 0
            while got < 19:
                got += len(os.read(client, 19))
        cpu_s, wall_s = time.process_time() - start_s, time.monotonic() - wall_s
        os.close(client)
    rows.append(("a poll of 7 registers, both ends", f"{cpu_s / POLLS * 1e6:.0f} us, {POLLS / wall_s:.0f} polls/s"))
    for what, cost in rows:
        print(f"{what:45s} {cost}")


if __name__ == "__main__":
    main()
