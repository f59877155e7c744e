"""What the record costs: bytes a row, time to pack a reading, time of a commit, time to read back.

By hand: `python tests/bench/record_cost.py [--folder DIR]`; put DIR on the disk that is to be judged.
"""

import argparse
import random
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daemon.record import Batch, Record, RecordReader  # noqa: E402
from daemon.record.catalogue import Catalogue  # noqa: E402
from daemon.record.packing import pack_row, row_key, unpack_row  # noqa: E402
from shared.readings import Reading  # noqa: E402

COMMITS = 300
HOURS = 240


def ten_seconds(from_s: float, chance: random.Random, *, estimates: bool) -> list[Reading]:
    """A shunt at 1 Hz arriving up to 10 ms late, and a controller once."""
    readings: list[Reading] = []
    for second in range(10):
        at_s = from_s + second + chance.uniform(0.02, 0.03)
        readings.append(shunt(at_s, chance))
        if estimates:
            readings.append(estimate(at_s, chance))
    return [*readings, controller(from_s + 9.6, chance)]


def hour(from_s: float, chance: random.Random) -> list[Reading]:
    """An hour in steps of 10 s, as the demo's past has it."""
    makers = (shunt, controller, estimate)
    return [make(from_s + 10.0 * step, chance) for step in range(360) for make in makers]


def shunt(at_s: float, chance: random.Random) -> Reading:
    """Noise of 5 mV and 20 mA, as the measurements the design rests on had it."""
    values = {
        "bank_v": round(chance.gauss(13.2, 0.005), 3),
        "bank_a": round(chance.gauss(-0.5, 0.02), 3),
        "bank_ah_counter": round(20.0 - at_s / 7200.0, 3),
    }
    return Reading("shunt", at_s, values, {}, ("bank_c",))


def controller(at_s: float, chance: random.Random) -> Reading:
    """Six quantities with two digits."""
    panel_a = round(chance.gauss(1.2, 0.02), 2)
    values = {"panel_v": 18.2, "panel_a": panel_a, "panel_w": round(18.2 * panel_a, 2), "charge_a": panel_a}
    return Reading("controller", at_s, {**values, "controller_c": 31.2, "load_a": 0.4})


def estimate(at_s: float, chance: random.Random) -> Reading:
    """What the filter makes of it."""
    return Reading("halfmark", at_s, {"soc_frac": chance.gauss(0.7123, 0.0001), "soc_sigma": 0.0312})


def each_us(work: Callable[[], object], count: int, times: int = 7) -> float:
    """The best of several runs, microseconds for each of `count` things."""
    runs: list[float] = []
    for _ in range(times):
        began_s = time.perf_counter()
        work()
        runs.append(time.perf_counter() - began_s)
    return min(runs) / count * 1e6


def packing_rows(chance: random.Random) -> None:
    """Print bytes and times of single rows."""
    print(f"{'row':<34}{'readings':>9}{'values':>8}{'bytes':>8}{'pack us':>9}{'read us':>9}   (us a reading)")
    rows = {
        "10 shunt + 1 controller": ten_seconds(100.0, chance, estimates=False),
        "the same + 10 estimates": ten_seconds(100.0, chance, estimates=True),
        "an hour of 3 x 360": hour(100.0, chance),
    }
    for name, readings in rows.items():
        catalogue, key, count = Catalogue(), row_key(1, 4_000_000), len(readings)
        row = pack_row(key, readings, catalogue)
        again = max(1, 2000 // count)
        pack_us = each_us(lambda: [pack_row(key, readings, catalogue) for _ in range(again)], again * count)  # noqa: B023
        read_us = each_us(lambda: [unpack_row(key, row, catalogue) for _ in range(again)], again * count)  # noqa: B023
        values = sum(len(reading.values) for reading in readings)
        print(f"{name:<34}{count:>9}{values:>8}{len(row):>8}{pack_us:>9.2f}{read_us:>9.2f}")


def commits(folder: Path, chance: random.Random) -> None:
    """Print how long commits of ten seconds and of an hour take, and reading them back."""
    opening_s = time.perf_counter()
    record = Record.open(folder, boot_id="0" * 32, elapsed_s=0.0, wall_utc_s=time.time())
    print(f"\nopening a new record           {(time.perf_counter() - opening_s) * 1e3:9.2f} ms")
    batches = [ten_seconds(10.0 * n, chance, estimates=True) for n in range(COMMITS)]
    taken = [_commit_ms(record, Batch(readings=batch, until_s=10.0 * n + 10.0)) for n, batch in enumerate(batches)]
    taken.sort()
    print(f"commit of 10 s, median / 99 %  {statistics.median(taken):9.2f} / {taken[-COMMITS // 100]:.2f} ms")
    taken_ms = 0.0
    for n in range(HOURS):
        readings = hour(10_000.0 + 3600.0 * n, chance)
        taken_ms += _commit_ms(record, Batch(readings=readings, until_s=10_000.0 + 3600.0 * (n + 1)))
    print(f"commit of an hour, mean        {taken_ms / HOURS:9.2f} ms ({taken_ms / HOURS / 1.08:.2f} us a reading)")
    record.close()
    began_s = time.perf_counter()
    with RecordReader(folder) as reader:
        count = sum(1 for _ in reader.readings())
        read_s = time.perf_counter() - began_s
        began_s = time.perf_counter()
        some = sum(1 for _ in reader.readings(quantity="bank_v"))
        some_s = time.perf_counter() - began_s
        size = reader.size()
    print(f"reading all back               {read_s / count * 1e6:9.2f} us a reading, {count} readings")
    print(f"reading one quantity back      {some_s / some * 1e6:9.2f} us a reading, {some} readings")
    print(f"file                           {size.file_bytes / count:9.2f} bytes a reading, all in")
    print(f"resident memory, peak          {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:9.1f} MiB")


def _commit_ms(record: Record, batch: Batch) -> float:
    began_s = time.perf_counter()
    record.commit(batch)
    return (time.perf_counter() - began_s) * 1e3


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--folder", type=Path)
    chosen = parser.parse_args()
    chance = random.Random(1)
    packing_rows(chance)
    with tempfile.TemporaryDirectory(prefix="halfmark-cost-", dir=chosen.folder) as folder:
        commits(Path(folder) / "state", chance)


if __name__ == "__main__":
    main()
