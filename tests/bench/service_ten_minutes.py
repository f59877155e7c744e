"""Ten minutes of the service on the simulated site at true rates: polls missed, memory, processor time, `status`.

    python tests/bench/service_ten_minutes.py [--minutes 10]

Shunt 1 s, controller 10 s, commit 10 s, `send` as a child, one `status` (a process of its own) each 20 s. Memory is
resident (RSS) and proportional (PSS) size; processor time is counted from 20 s after the start, as seconds a day.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from servers.site_rig import RunningService, SiteRig  # noqa: E402

WARM_S = 20.0
LOOK_EVERY_S = 20.0
EVERY_S = {"shunt": 1.0, "controller": 10.0}


@dataclass
class Process:
    """What one process takes."""

    pid: int
    rss_kib: list[int] = field(default_factory=list)
    pss_kib: list[int] = field(default_factory=list)

    def sample(self) -> None:
        """Read its sizes now."""
        rows = Path(f"/proc/{self.pid}/smaps_rollup").read_text().splitlines()
        sizes = {row.split(":")[0]: int(row.split()[1]) for row in rows[1:]}
        self.rss_kib.append(sizes["Rss"])
        self.pss_kib.append(sizes["Pss"])

    def busy_s(self) -> float:
        """Processor time so far, s."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> int:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="hm") as folder:
        rig = SiteRig(Path(folder) / "s", tick_s=1.0, commit_s=10.0, shunt_s=1.0, controller_s=10.0)
        with rig:
            service = rig.start(send=True)
            rows = measure(rig, service, 60.0 * chosen.minutes)
            code = service.stop()
    for name, value in [*rows, ("exit code at the end", code), ("load of the machine", _load())]:
        print(f"{name:<44}{value:>24}")
    return code


def measure(rig: SiteRig, service: RunningService, length_s: float) -> list[tuple[str, object]]:
    """Let it run, look now and then, and tell the figures."""
    service.wait_until_reading()
    time.sleep(WARM_S)
    run, send = Process(service.child.pid), Process(_child(service.child.pid))
    first = service.picture()
    began_s, began = time.monotonic(), {process.pid: process.busy_s() for process in (run, send)}
    status_s: list[float] = []
    while (left_s := began_s + length_s - time.monotonic()) > 0.0:
        time.sleep(min(LOOK_EVERY_S, left_s))
        status_s.append(_status_s(rig))
        run.sample()
        send.sample()
        print(f"\r{time.monotonic() - began_s:5.0f} of {length_s:.0f} s", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    took_s, last = time.monotonic() - began_s, service.picture()
    assert first is not None and last is not None
    rows: list[tuple[str, object]] = [("length, s", f"{took_s:.0f}")]
    for name, every_s in EVERY_S.items():
        asked = {
            key: last["instruments"][name][key] - first["instruments"][name][key]
            for key in first["instruments"][name]
            if key in _COUNTS
        }
        due = (last["at_s"] - first["at_s"]) / every_s
        rows.append((f"{name}: polls due, answered", f"{due:.1f}, {asked['answered']}"))
        rows.append(
            (f"{name}: late, silent, garbled, refused, suspect", ", ".join(str(asked[key]) for key in _COUNTS[1:]))
        )
    for name, process in (("run", run), ("send", send)):
        rows.append(
            (f"{name}: RSS at most, at the end, MiB", f"{_mib(max(process.rss_kib))}, {_mib(process.rss_kib[-1])}")
        )
        rows.append(
            (f"{name}: PSS at most, at the end, MiB", f"{_mib(max(process.pss_kib))}, {_mib(process.pss_kib[-1])}")
        )
        rows.append((f"{name}: RSS grown, KiB", process.rss_kib[-1] - process.rss_kib[0]))
        busy_s = process.busy_s() - began[process.pid]
        rows.append((f"{name}: processor time, s; s a day pro rata", f"{busy_s:.2f}; {busy_s / took_s * 86400:.0f}"))
    rows.append(
        ("status: median, longest, ms", f"{1000 * statistics.median(status_s):.0f}, {1000 * max(status_s):.0f}")
    )
    return rows


_COUNTS = ("answered", "late", "silent", "garbled", "refused", "suspect")


def _status_s(rig: SiteRig) -> float:
    """Run `status` once as an operator does; wall time, s."""
    began_s = time.monotonic()
    command = [sys.executable, "-m", "daemon.main", "status", "--state", str(rig.folders.state)]
    subprocess.run([*command, "--runtime", str(rig.folders.runtime)], check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - began_s


def _child(pid: int) -> int:
    """The one child of a process."""
    (child,) = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return int(child)


def _mib(kib: int) -> str:
    return f"{kib / 1024:.1f}"


def _load() -> str:
    return " ".join(f"{load:.1f}" for load in os.getloadavg()) + f" on {os.cpu_count()} cores"


if __name__ == "__main__":
    sys.exit(main())
