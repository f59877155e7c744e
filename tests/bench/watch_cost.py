"""What `watch` costs: bytes a second over the link, share of a processor, seconds to the first picture.

Run by hand: python tests/bench/watch_cost.py [--seconds 30]. The real service watches a simulated site; the
screen is on a real pseudo-terminal. The same page drawn whole by rich's Live stands beside it.
"""

import argparse
import io
import os
import sys
import tempfile
import time
from copy import deepcopy
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from daemon.folders import Folders  # noqa: E402
from daemon.screens.looks import Look, take_look  # noqa: E402
from daemon.screens.spans import text_of  # noqa: E402
from daemon.screens.view import RICH, View  # noqa: E402
from daemon.screens.watch_state import WatchState  # noqa: E402
from servers.screen_rig import ScreenRig, watch_command  # noqa: E402
from servers.site_rig import SiteRig, wait_for  # noqa: E402

SIZES = ((80, 24), (120, 40), (40, 24), (20, 5))


def cpu_s(pid: int) -> float:
    """Processor time a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mib(pid: int) -> float:
    """Peak resident memory of a process."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024.0


def measure(folders: Folders, columns: int, rows: int, every_s: float, seconds: float) -> str:
    """Run one screen for a while."""
    began_s = time.monotonic()
    command = watch_command(folders.state, every_s=every_s)
    with ScreenRig(command, columns=columns, rows=rows) as rig:
        rig.until(lambda shown: "%" in shown.text, "the first picture")
        start_s = time.monotonic() - began_s
        rig.take(5.0)  # the last day is read
        first_bytes = rig.shown.received
        cpu_before_s, from_s = cpu_s(rig.child.pid), time.monotonic()
        received = rig.take(seconds)
        for_s = time.monotonic() - from_s
        share = (cpu_s(rig.child.pid) - cpu_before_s) / for_s
        row = f"{columns:4d}x{rows:<3d} {every_s:5.1f} s {start_s:8.2f} s {first_bytes:8d}"
        return f"{row} {received / for_s:10.1f} {100.0 * share:9.2f} {memory_mib(rig.child.pid):8.1f}"


def rich_live_bytes(look: Look, columns: int, rows: int, frames: int) -> float:
    """Bytes that rich's Live sends for one refresh of the same page."""
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    out = io.StringIO()
    console = Console(file=out, width=columns, height=rows, force_terminal=True, color_system="standard")
    state = WatchState()
    with Live(console=console, screen=True, auto_refresh=False) as live:
        sizes = []
        for frame in range(frames):
            picture = deepcopy(look.picture)
            picture["at_s"] += frame
            view = View(look=Look(look.raw, picture, look.told))
            lines = state.draw(view, columns, rows, RICH)
            before = len(out.getvalue().encode())
            live.update(Text("\n".join(text_of(line) for line in lines), no_wrap=True), refresh=True)
            sizes.append(len(out.getvalue().encode()) - before)
    return sum(sizes) / len(sizes)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    seconds = parser.parse_args().seconds
    with tempfile.TemporaryDirectory() as folder, SiteRig(Path(folder), shunt_s=1.0, controller_s=10.0) as rig:
        service = rig.start()
        wait_for(lambda: (service.picture() or {}).get("soc_frac"), about="the first estimate")
        print(f"{'size':>8} {'every':>7} {'start':>10} {'first B':>8} {'B/s':>10} {'CPU %':>9} {'MiB':>8}")
        for columns, rows in SIZES:
            print(measure(rig.folders, columns, rows, 2.0, seconds), flush=True)
        print(measure(rig.folders, 80, 24, 1.0, seconds), flush=True)
        look = take_look(rig.folders)
        whole = rich_live_bytes(look, 80, 24, 20)
        print(f"rich's Live sends {whole:.0f} bytes for each refresh of the same 80x24 page")


if __name__ == "__main__":
    main()
