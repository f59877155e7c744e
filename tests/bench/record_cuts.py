"""Cut the power under a process that writes and seals the record, and look for what it had promised.

By hand, as root: `python tests/bench/record_cuts.py [--cuts 200] [--seed 1]`. A file system lies on a loop
device in an image on another ext4. At a random moment the outer one is shut down as at a power cut (ext4's
own ioctl, no log flushed): whatever the inner device had not flushed is gone, as in a card's or disk's own
memory. Both are then mounted anew, their journals replayed, and the record is read as anybody would.

This does not tear a sector, lie about a flush or spoil neighbours as a dying card may. With --setting normal
the writer leaves out the flush of each commit, to show that the check sees a loss.
"""

import argparse
import fcntl
import os
import random
import signal
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench import record_kills  # noqa: E402
from bench.record_kills import Tally, table  # noqa: E402

from servers import apart  # noqa: E402

OUTER_MB, INNER_MB = 400, 256
CUTS_A_BOOT = 7
TRIES_MOST, TRY_AGAIN_S = 100, 0.2
LIFE_LEAST_S, LIFE_MOST_S = 0.02, 1.0
# Linux, fs/ext4: EXT4_IOC_SHUTDOWN is _IOR('X', 125, __u32); 2 is EXT4_GOING_FLAGS_NOLOGFLUSH.
SHUTDOWN, NO_LOG_FLUSH = 0x8004587D, 2


def run_quietly(*command: str) -> None:
    """Run a command; its output is shown when it fails."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise OSError(f"{' '.join(command)}: {done.stderr.strip()}")


def patiently(*command: str) -> None:
    """Run a command until it works: the kernel may take a moment to let go of a loop device."""
    for attempt in range(TRIES_MOST):
        try:
            run_quietly(*command)
        except OSError:
            if attempt == TRIES_MOST - 1:
                raise
            time.sleep(TRY_AGAIN_S)
        else:
            return


def mount(image: Path, place: Path) -> None:
    """Mount an image."""
    patiently("mount", "-o", "loop", str(image), str(place))


class Disks:
    """An outer file system with the image of an inner one on it."""

    def __init__(self, folder: Path) -> None:
        self._image = folder / "outer.img"
        self._outer, self.inner = folder / "outer", folder / "inner"
        for place in (self._outer, self.inner):
            place.mkdir()
        with self._image.open("wb") as file:
            file.truncate(OUTER_MB << 20)
        run_quietly("mkfs.ext4", "-q", "-F", str(self._image))
        mount(self._image, self._outer)
        with (self._outer / "inner.img").open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, INNER_MB << 20)
            os.fsync(file.fileno())
        run_quietly("mkfs.ext4", "-q", "-F", str(self._outer / "inner.img"))
        self._mount_inner()
        os.sync()

    def cut(self) -> None:
        """Lose everything that was not flushed."""
        handle = os.open(self._outer, os.O_RDONLY)
        try:
            fcntl.ioctl(handle, SHUTDOWN, struct.pack("I", NO_LOG_FLUSH))
        finally:
            os.close(handle)

    def come_back(self) -> None:
        """Mount both anew."""
        self.close()
        mount(self._image, self._outer)
        self._mount_inner()

    def close(self) -> None:
        """Take both down; after a cut the inner one can't be written, which does no harm."""
        for place in (self.inner, self._outer):
            if place.is_mount():
                patiently("umount", str(place))

    def _mount_inner(self) -> None:
        mount(self._outer / "inner.img", self.inner)


@contextmanager
def disks() -> Iterator[Disks]:
    """Make them, and take them down whatever happens."""
    with tempfile.TemporaryDirectory(prefix="halfmark-cuts-") as folder:
        made = Disks(Path(folder))
        try:
            yield made
        finally:
            made.close()


def run(cuts: int, seed: int, *, setting: str = "full") -> Tally:
    """Cut that many times; the record lives on from cut to cut."""
    chance, tally, checked = random.Random(seed), Tally(), 0
    with disks() as disk:
        folder = disk.inner / "state"
        for cut in range(cuts):
            boot_id = f"{seed:08x}{cut // CUTS_A_BOOT:024x}"
            acknowledged = _one_life(disk, folder, boot_id, chance, checked, tally, setting)
            checked = record_kills._check(folder, checked, acknowledged, tally)
            if tally.faults or (setting == "full" and (tally.lost or tally.holes)):
                break
        record_kills._check_whole(folder, checked, tally)
    return tally


def _one_life(
    disk: Disks, folder: Path, boot_id: str, chance: random.Random, checked: int, tally: Tally, setting: str
) -> int:
    command = [sys.executable, record_kills.__file__, "--child", boot_id, "--folder", str(folder), "--sealing"]
    env = {**os.environ, "RECORD_KILLS_SETTING": setting}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=env) as process:
        assert process.stdout is not None
        handle = process.stdout.fileno()
        said = record_kills._read_until(handle, b"opening\n", record_kills.START_LIMIT_S)
        said += record_kills._read_for(handle, chance.uniform(LIFE_LEAST_S, LIFE_MOST_S))
        disk.cut()
        process.send_signal(signal.SIGKILL)
        said += process.stdout.read()
    disk.come_back()
    return record_kills._count(said, checked, tally)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; 0 when nothing was lost, doubled or missing."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cuts", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--setting", choices=("full", "normal"), default="full")
    chosen = parser.parse_args(arguments)
    apart._leave_mounts()  # or a process that copies everybody's mounts meanwhile keeps the dead ones alive
    tally = run(chosen.cuts, chosen.seed, setting=chosen.setting)
    print(f"{chosen.cuts} power cuts, setting {chosen.setting}, seed {chosen.seed}\n{table(tally)}")
    return int(bool(tally.lost or tally.doubled or tally.holes or tally.halves or tally.damaged_rows or tally.faults))


if __name__ == "__main__":
    sys.exit(main())
