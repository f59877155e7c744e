"""Small JSON files in the runtime folder, which lies in memory: each is there whole, as it was or as it is."""

import json
import os
from pathlib import Path

FILE_MODE = 0o640  # the other process may run as another user of the same group
PART_ENDING = ".part"


def put_file(path: Path, value: object, *, group: int | None = None) -> None:
    """Put a value in a file's place. Nothing is synced: what is in memory does not outlast the power anyway.

    Args:
        path: of the file.
        value: what JSON can hold.
        group: whose members may read it; None for this process's own group.
    Raises: OSError: it can't be written; what was there before is still there.
    """
    part = path.with_name(path.name + PART_ENDING)
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, FILE_MODE)
        with os.fdopen(handle, "w", encoding="ascii") as out:
            if group is not None:
                os.fchown(out.fileno(), -1, group)
            json.dump(value, out, separators=(",", ":"))
        part.replace(path)
    except OSError:
        drop_file(part)
        raise


def read_file(path: Path, most_bytes: int) -> object:
    """Read a file's value.

    Args:
        path: of the file.
        most_bytes: beyond it the file is none of ours.
    Returns: None when there is no file.
    Raises: OSError: it can't be read; ValueError: it holds no JSON, or too much of it.
    """
    try:
        with path.open("rb") as file:
            data = file.read(most_bytes + 1)
    except FileNotFoundError:
        return None
    if len(data) > most_bytes:
        raise ValueError(f"more than {most_bytes} bytes")
    try:
        value: object = json.loads(data)
    except RecursionError as why:
        raise ValueError("nested too deeply") from why
    return value


def drop_file(path: Path) -> bool:
    """Remove a file; tell whether it is not there now."""
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return False
    return True
