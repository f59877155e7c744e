"""Kill -9 a process that writes the record, at random moments, and look for what it had promised.

By hand: `python tests/bench/record_kills.py [--kills 200] [--seed 1] [--folder DIR]` prints a table.
With --sealing the child lives on a time of its own, a minute a commit, so that every life seals some hours.
The child commits as fast as it can and tells each commit through a pipe once it is on the disk. The
parent kills it at a seeded random moment after its start, also while it opens the record, and then
reads the record as anybody would. kill -9 proves that commits are whole and restarts go on; that
they outlive a power cut is another test.
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from selectors import EVENT_READ, DefaultSelector

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from daemon.clock import elapsed_s  # noqa: E402
from daemon.errors import StoreError  # noqa: E402
from daemon.record import Batch, Record, RecordReader  # noqa: E402
from shared.readings import Reading  # noqa: E402

READINGS_A_COMMIT = 11
KILLS_A_BOOT = 7  # then the child gets another boot id, as after a reboot
START_LIMIT_S = 20.0
# From the child's first word, "opening", to its end; one life in four hardly gets past the opening.
LIFE_MOST_S = 0.25
SHORT_LIFE_MOST_S = 0.015
COUNTER = "bank_ah_counter"
COUNTER_STEP = 0.001
SEALING_STEP_S = 6.0  # between two readings, on the time of a child that seals


@dataclass
class Tally:
    """What became of the readings."""

    kills: int = 0
    kills_in_opening: int = 0
    boots: int = 0
    commits_acknowledged: int = 0
    readings_acknowledged: int = 0
    readings_kept: int = 0
    unacknowledged_kept: int = 0
    lost: int = 0
    doubled: int = 0
    holes: int = 0
    halves: int = 0
    damaged_rows: int = 0
    sealed_chunks: int = 0
    slowest_open_s: float = 0.0
    faults: list[str] = field(default_factory=list)


def child(folder: Path, boot_id: str, sealing: bool) -> None:
    """Commit until killed; say "opening", "open" with the time it took, and each commit's last number."""
    print("opening", flush=True)
    began_s = time.perf_counter()
    number = _last_number(folder)
    now_s = number * SEALING_STEP_S if sealing else elapsed_s()
    record = Record.open(folder, boot_id=boot_id, elapsed_s=now_s, wall_utc_s=time.time())
    if os.environ.get("RECORD_KILLS_SETTING") == "normal":  # for record_cuts.py: a writer that does lose something
        record._db.execute("PRAGMA synchronous = NORMAL")
    number = _last_number(folder)
    print(f"open {time.perf_counter() - began_s:.6f}", flush=True)
    while True:
        record.commit(_batch(number, sealing))
        number += READINGS_A_COMMIT
        print(number, flush=True)
        if sealing:
            record.seal_all(number * SEALING_STEP_S)


def _last_number(folder: Path) -> int:
    if not (folder / "record.db").exists():
        return 0
    try:
        with RecordReader(folder) as reader:
            state = reader.state("kills")
    except StoreError:
        return 0  # killed before there was a table
    return int(str(state["last"])) if state else 0


def _batch(last: int, sealing: bool) -> Batch:
    now_s = elapsed_s()
    numbers = range(last + 1, last + READINGS_A_COMMIT + 1)
    times = [number * SEALING_STEP_S if sealing else now_s for number in numbers]
    readings = [
        Reading("shunt", at_s, {COUNTER: number * COUNTER_STEP, "bank_v": 13.2})
        for at_s, number in zip(times, numbers, strict=True)
    ]
    last, now_s = numbers[-1], times[-1]
    return Batch(readings=readings, notices=[{"last": last}], state={"kills": {"last": last}}, until_s=now_s)


def run(folder: Path, kills: int, seed: int, *, sealing: bool = False) -> Tally:
    """Kill that many children one after the other and check the record after each."""
    chance = random.Random(seed)
    tally = Tally()
    checked = 0
    for kill in range(kills):
        boot_id = f"{seed:08x}{kill // KILLS_A_BOOT:024x}"
        life_s = chance.uniform(0.0, LIFE_MOST_S if chance.random() < 0.75 else SHORT_LIFE_MOST_S)
        acknowledged = _one_life(folder, boot_id, life_s, checked, tally, sealing)
        checked = _check(folder, checked, acknowledged, tally)
        if tally.faults:
            break
    expected_boots = (kills - 1) // KILLS_A_BOOT + 1
    if not tally.faults and tally.boots > expected_boots:
        tally.faults.append(f"a restart counted as a reboot: {tally.boots} boots, {expected_boots} ids")
    if (folder / "record.db").exists():
        _check_whole(folder, checked, tally)
    return tally


def _one_life(folder: Path, boot_id: str, life_s: float, checked: int, tally: Tally, sealing: bool) -> int:
    """Start a child, kill it, and give the last number it acknowledged."""
    command = [sys.executable, str(Path(__file__).resolve()), "--child", boot_id, "--folder", str(folder)]
    command += ["--sealing"] if sealing else []
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        handle = process.stdout.fileno()
        said = _read_until(handle, b"opening\n", START_LIMIT_S)
        said += _read_for(handle, life_s)
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read()
    if process.returncode != -signal.SIGKILL:
        tally.faults.append(f"the child ended by itself with {process.returncode}")
    return _count(said + rest, checked, tally)


def _read_until(handle: int, word: bytes, limit_s: float) -> bytes:
    said = b""
    end_s = time.monotonic() + limit_s
    while word not in said:
        said += _read_for(handle, end_s - time.monotonic(), once=True)
        if time.monotonic() > end_s:
            raise TimeoutError(f"the child did not say {word!r} within {limit_s} s, but {said!r}")
    return said


def _read_for(handle: int, length_s: float, *, once: bool = False) -> bytes:
    """Read what comes within a time, without ever letting the pipe fill up."""
    said = b""
    end_s = time.monotonic() + length_s
    with DefaultSelector() as selector:
        selector.register(handle, EVENT_READ)
        while (left_s := end_s - time.monotonic()) > 0.0:
            if selector.select(left_s):
                piece = os.read(handle, 65536)
                said += piece
                if once or not piece:
                    break
    return said


def _count(said: bytes, checked: int, tally: Tally) -> int:
    lines = said.split(b"\n")[:-1]  # a line cut short was not said
    numbers = [int(line) for line in lines if line.isdigit()]
    opened = [float(line.split()[1]) for line in lines if line.startswith(b"open ")]
    tally.kills += 1
    tally.kills_in_opening += not opened
    tally.slowest_open_s = max([tally.slowest_open_s, *opened])
    tally.commits_acknowledged += len(numbers)
    tally.readings_acknowledged += len(numbers) * READINGS_A_COMMIT
    return max(numbers, default=checked)


def _check(folder: Path, checked: int, acknowledged: int, tally: Tally) -> int:
    """Look at the readings after the last one checked; give the last one there is now."""
    if not (folder / "record.db").exists() or not (folder / "record.db").stat().st_size:
        return checked  # killed before there was a file
    if not acknowledged and not _is_begun(folder):
        return checked
    with RecordReader(folder) as reader:
        boots = reader.boots()
        if not boots:
            return checked
        since = (max(1, boots[-1].number - 1), 0.0)
        numbers = [n for n in _numbers(reader, since) if n > checked]
        state = reader.state("kills")
        tally.boots = len(boots)
    last = max(numbers, default=checked)
    tally.readings_kept += len(numbers)
    tally.lost += max(0, acknowledged - last)
    tally.unacknowledged_kept += max(0, last - acknowledged)
    tally.doubled += len(numbers) - len(set(numbers))
    tally.holes += last - checked - len(set(numbers))
    tally.halves += (last - checked) % READINGS_A_COMMIT != 0 or (state or {"last": 0})["last"] != last
    return last


def _is_begun(folder: Path) -> bool:
    """Whether there is a table in the record; a child that ended before has promised nothing."""
    try:
        RecordReader(folder).close()
    except StoreError as why:
        if "nothing in it yet" in str(why):
            return False
        raise
    return True


def _numbers(reader: RecordReader, since: tuple[int, float]) -> list[int]:
    found = reader.readings(quantity=COUNTER, since=since)
    return [round(placed.reading.values[COUNTER] / COUNTER_STEP) for placed in found]


def _check_whole(folder: Path, last: int, tally: Tally) -> None:
    """At the end: the whole record once more, in order, with every notice, and every checksum."""
    with RecordReader(folder) as reader:
        reader.check_rows()
        swept = reader.sweep()
        tally.sealed_chunks = swept.rows
        if not swept.is_whole:
            tally.faults.append(f"the sweep found {swept}")
        if _numbers(reader, (0, 0.0)) != list(range(1, last + 1)):
            tally.faults.append("the readings of the whole record are not 1, 2, 3, ...")
        notices = [notice.body["last"] for notice in reader.notices(limit=1_000_000)]
        if notices != list(range(READINGS_A_COMMIT, last + 1, READINGS_A_COMMIT)):
            tally.faults.append("the notices are not one a commit")
        tally.damaged_rows = len(reader.damaged)


def table(tally: Tally) -> str:
    """Write a tally for people."""
    rows = [(name.replace("_", " "), value) for name, value in vars(tally).items() if name != "faults"]
    lines = [
        f"{name:<24}{value:>12.3f}" if isinstance(value, float) else f"{name:<24}{value:>12}" for name, value in rows
    ]
    return "\n".join([*lines, *tally.faults])


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; 0 when nothing was lost, doubled or missing."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where to keep the record; default: a new one")
    parser.add_argument("--sealing", action="store_true", help="seal hours all the time")
    parser.add_argument("--child", metavar="BOOT_ID", help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.child:
        child(chosen.folder, chosen.child, chosen.sealing)
    folder = chosen.folder or Path(tempfile.mkdtemp(prefix="halfmark-kills-"))
    tally = run(folder, chosen.kills, chosen.seed, sealing=chosen.sealing)
    print(f"record in {folder}, seed {chosen.seed}\n{table(tally)}")
    return int(bool(tally.lost or tally.doubled or tally.holes or tally.halves or tally.damaged_rows or tally.faults))


if __name__ == "__main__":
    sys.exit(main())
