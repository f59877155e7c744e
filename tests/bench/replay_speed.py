"""How long a replay takes, set by set, and where the time goes.

    python tests/bench/replay_speed.py FOLDER [--site FOLDER]

FOLDER has NAME.csv.gz files; the site file is NAME.toml beside it or in --site, else an invented one with
the bank of an ordinary 12 V site. Seconds are wall clock and, beside it, this process's own: on a busy
machine they differ. "apart" runs the parts by themselves: reading the file, the filter alone on what was read.

Measured in November 2026 on two cores partly busy with other work, months at 10 s (259,000 lines): 4.6 to 5.1 s of its
own, of which 0.6 s the file, 0.5 s the filter, the rest readings, lookahead, facts and rules each minute, and writing.
"""

import argparse
import io
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from daemon.configuration import load_replay_site
from daemon.readings_file import ReadingsFile
from daemon.replay import ReplayFiles, run_replay
from shared.charge import ChargeFilter

PLAIN_SITE = """
[site]
name = "Bench"
latitude = 47.0
longitude = 8.0
[bank]
chemistry = "agm"
capacity_ah = 24
cells = 6
absorb_v = 14.4
float_v = 13.7
charge_v_per_k = -0.024
"""
FED = ("bank_v", "bank_a", "bank_ah_counter", "bank_c", "controller_c", "panel_w", "charge_a", "load_a")


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Wall seconds and this process's own."""
    wall_s, own_s = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall_s, time.process_time() - own_s


def read_all(path: Path) -> int:
    with ReadingsFile(path) as source:
        return sum(1 for _ in source.rows())


def filter_alone(path: Path, site: Path) -> Callable[[], None]:
    with ReadingsFile(path) as source:
        rows = [(row.time_s, [row.values.get(quantity) for quantity in FED]) for row in source.rows()]
    made = ChargeFilter(load_replay_site(site).bank)

    def run() -> None:
        for time_s, told in rows:
            made.step(time_s, *told)

    return run


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--site", type=Path)
    options = parser.parse_args()
    print(
        f"{'set':<20}{'rows':>9}{'replay s':>10}{'own s':>8}{'rows/s':>9}"
        f"   apart, own s: {'file':>7}{'filter':>8}{'rest':>8}"
    )
    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder, "plain.toml")
        plain.write_text(PLAIN_SITE)
        for path in sorted(options.folder.glob("*.csv.gz")):
            name = path.name.removesuffix(".csv.gz")
            places = [path.with_name(f"{name}.toml"), Path(options.site or folder, f"{name}.toml"), plain]
            site = next(place for place in places if place.exists())
            files = ReplayFiles(site, path, Path(folder, "estimates.csv"), Path(folder, "events.jsonl"))
            wall_s, own_s = timed(lambda files=files: run_replay(files, err=io.StringIO()))  # type: ignore[misc]
            file_s = timed(lambda path=path: read_all(path))[1]  # type: ignore[misc]
            filter_s = timed(filter_alone(path, site))[1]
            rows = read_all(path)
            print(
                f"{name:<20}{rows:>9}{wall_s:>10.2f}{own_s:>8.2f}{rows / wall_s:>9.0f}{file_s:>24.2f}{filter_s:>8.2f}"
                f"{own_s - file_s - filter_s:>8.2f}"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
