"""Records as the service leaves them behind: running, stopped, killed; and what was put in."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daemon.record import Batch, Record
from shared.readings import Reading

BOOT = "b007" * 8
WALL_UTC_S = 1_780_000_000.0


def open_record(
    folder: Path,
    *,
    boot_id: str = BOOT,
    elapsed_s: float = 100.0,
    wall_utc_s: float = WALL_UTC_S,
    group: str | int | None = None,
    pages_most: int | None = None,
) -> Record:
    """Open a record as the service of an invented machine would."""
    return Record.open(
        folder, boot_id=boot_id, elapsed_s=elapsed_s, wall_utc_s=wall_utc_s, group=group, pages_most=pages_most
    )


def ten_seconds(from_s: float) -> Batch:
    """One commit period: a shunt each second, a controller once."""
    readings = [
        Reading("shunt", from_s + n, {"bank_v": round(13.2 + n / 1000.0, 3), "bank_a": -0.5}) for n in range(10)
    ]
    readings.append(Reading("controller", from_s + 9.5, {"panel_v": 18.25, "controller_c": 31.5}))
    return Batch(readings=readings, until_s=from_s + 10.0)


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder every user may pass through, which those of the test runner are not."""
    folder = Path(tempfile.mkdtemp(prefix="halfmark-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def kill_a_writer(folder: Path, group: int | None = None) -> None:
    """Let a child commit one batch into a record and die with it open, as after kill -9."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            open_record(folder, group=group).commit(ten_seconds(100.0))
            status = 0
        finally:
            os._exit(status)  # nothing is closed, nothing is brought into the file
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0
