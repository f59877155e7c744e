"""Why a serial port can't be opened, in words, and what to do about it."""

import errno
import fcntl
import grp
import os
from pathlib import Path


def port_trouble(port: str) -> str:
    """Look at a port that would not open; the port is closed again at once.

    Args:
        port: the path that was opened.
    Returns: one of: missing, permission (names the group), held by another program, no serial port, other.
    """
    try:
        handle = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except FileNotFoundError:
        return "missing: is the adapter plugged in and powered, and is this the path it has?"
    except PermissionError:
        return f"permission denied: the service's user must be in the group {_group(port)}"
    except OSError as error:
        if error.errno == errno.EBUSY:
            return "held by another program: stop that one first"
        return f"can't be opened: {error.strerror}"
    try:
        if not os.isatty(handle):
            return "is no serial port: name the adapter's own device"
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return "held by another program: stop that one first"
    finally:
        os.close(handle)
    return "can't be set up: are speed and parity ones that this adapter can do?"


def _group(port: str) -> str:
    group_id = Path(port).stat().st_gid
    try:
        return grp.getgrgid(group_id).gr_name
    except KeyError:
        return str(group_id)
