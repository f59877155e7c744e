"""Days of outage copied to a real server: order, lost, doubled, speed against real time, memory and bytes.

By hand: `python tests/bench/central_catch_up.py [--days 7]`. The real `halfmark send` runs as a process of its
own against a server that is down at first; the record is what a shunt at 1 s, a controller at 10 s and the
estimate leave behind. Everything is read back and compared point by point.
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from daemon.record import Anchor, Batch, Record  # noqa: E402
from daemon.sending.receipts import sending_state  # noqa: E402
from servers.line_protocol_server import LineProtocolServer  # noqa: E402
from servers.sites import write_site  # noqa: E402
from shared.readings import Reading  # noqa: E402

BOOT = "c0" * 16
START_UTC_S = 1_780_000_000.0
DOWN_S = 4.0  # how long the server stays away at first
DAY_S = 86_400


def ten_seconds(from_s: int, chance: random.Random) -> Iterator[Reading]:
    """What one commit holds: ten of the shunt and of the estimate, one of the controller."""
    for second in range(from_s, from_s + 10):
        at_s = second + 0.025
        volts, amps = round(13.2 + chance.gauss(0.0, 0.005), 3), round(chance.gauss(-0.5, 0.02), 3)
        yield Reading("shunt", at_s, {"bank_v": volts, "bank_a": amps, "bank_ah_counter": round(20 - at_s / 7200.0, 3)})
        yield Reading("halfmark", at_s, {"soc_frac": round(0.7 + chance.gauss(0.0, 1e-4), 4), "soc_sigma": 0.0312})
    values = {"panel_v": 18.2, "panel_a": 1.2, "panel_w": 21.84, "charge_a": 1.6, "controller_c": 31.2, "load_a": 0.4}
    yield Reading("controller", from_s + 9.6, values)


def make_record(folder: Path, days: float) -> dict[str, list[int]]:
    """Make the record; give the ms since 1970 of every point, by field."""
    chance = random.Random(7)
    expected: dict[str, list[int]] = {}
    record = Record.open(folder, boot_id=BOOT, elapsed_s=0.0, wall_utc_s=START_UTC_S)
    try:
        record.commit(Batch(anchors=[Anchor(0, 0.0, START_UTC_S, 0.1, "kernel")]))
        for from_s in range(0, round(days * DAY_S), 10):
            readings = list(ten_seconds(from_s, chance))
            record.commit(Batch(readings=readings, until_s=from_s + 10.0))
            for reading in readings:
                ms = round((START_UTC_S + reading.at_s) * 1000.0)
                for quantity in reading.values:
                    expected.setdefault(quantity, []).append(ms)
        record.seal_all(days * DAY_S)  # as the service has done it by then
    finally:
        record.close()
    return expected


class Watch:
    """Looks at the sender while it works: memory, and how far it has come."""

    def __init__(self, child: "subprocess.Popen[bytes]", sending: Path) -> None:
        self.child = child
        self.sending = sending
        self.high_kb = self.pss_kb = 0
        self.sent: list[float] = []

    def until_done(self, limit_s: float) -> float:
        """Wait until nothing waits any more; give how long it took since the first points arrived."""
        first_s: float | None = None
        end_s = time.monotonic() + limit_s
        while time.monotonic() < end_s:
            assert self.child.poll() is None, "the sender has ended"
            self._look()
            central = (sending_state(self.sending) or {}).get("central")
            if isinstance(central, dict) and central["last_sent_utc_s"] is not None:
                first_s = first_s or time.monotonic()
                self.sent.append(float(central["last_sent_utc_s"]))
                if central["waiting_commits"] == 0:
                    return time.monotonic() - first_s
            threading.Event().wait(0.05)
        raise SystemExit("not done in time")

    def _look(self) -> None:
        status = Path(f"/proc/{self.child.pid}/status").read_text()
        self.high_kb = max(self.high_kb, int(status.partition("VmHWM:")[2].split()[0]))
        rollup = Path(f"/proc/{self.child.pid}/smaps_rollup").read_text()
        self.pss_kb = max(self.pss_kb, int(rollup.partition("Pss:")[2].split()[0]))


def compare(server: LineProtocolServer, expected: dict[str, list[int]]) -> tuple[int, int, int]:
    """Give how many points were expected, how many are lost and how many doubled or strange."""
    found = {name.removeprefix("halfmark_"): points for (name, _), points in server.export("halfmark").items()}
    lost = doubled = 0
    for quantity, times in expected.items():
        there = [ms for ms, _ in found.get(quantity, [])]
        lost += len(set(times) - set(there))
        doubled += len(there) - len(set(there) & set(times))
    return sum(map(len, expected.values())), lost, doubled


def main() -> None:
    """Make, copy, read back, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=7.0)
    days = parser.parse_args().days
    with tempfile.TemporaryDirectory(prefix="halfmark-") as name:
        folder = Path(name)
        began_s = time.monotonic()
        expected = make_record(folder / "state", days)
        print(f"record of {days:g} days made in {time.monotonic() - began_s:.0f} s")
        server = LineProtocolServer(folder / "server", deduplicates=False)
        site = write_site(folder, central=server.url)
        command = [sys.executable, "-m", "daemon.main", "send", str(site), "--state", str(folder / "state")]
        command += ["--secrets", str(folder / "secrets"), "--sending", str(folder / "sending")]
        (folder / "state" / "sockets").mkdir()
        child = subprocess.Popen(command, cwd=ROOT, env=os.environ | {"HALFMARK_BOOT_ID": BOOT})
        watch = Watch(child, folder / "sending")
        try:
            threading.Event().wait(DOWN_S)
            server.start()
            took_s = watch.until_done(3600.0)
        finally:
            child.send_signal(signal.SIGTERM)
            code = child.wait(20.0)
        points, lost, doubled = compare(server, expected)
        size = sum(path.stat().st_size for path in (folder / "sending").iterdir())
        server.stop()
    lines = round(days * DAY_S * 2.1)
    print(f"lines {lines}, points {points}, lost {lost}, doubled {doubled}, exit code {code}")
    print(f"order kept at {len(watch.sent)} looks: {'yes' if watch.sent == sorted(watch.sent) else 'NO'}")
    print(f"caught up in {took_s:.1f} s: {days * DAY_S / took_s:.0f} x real time, {lines / took_s:.0f} lines/s")
    memory = f"{watch.high_kb / 1024:.1f} MiB at most ({watch.pss_kb / 1024:.1f} MiB PSS)"
    print(f"memory of send: {memory}; sent.db {size} bytes")


if __name__ == "__main__":
    main()
