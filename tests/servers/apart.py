"""Runs a piece of a test in a child of its own: as another user, in a file system of its own.

The child is forked, so that it needs no file the other user can't read: everything is imported
before. What the work returns, or raises, comes back through a pipe. What can't be set up here
(another user, a mount) is an error of the test and never a reason to leave it out.
"""

import ctypes
import os
import pickle
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

NOBODY = 65534
OUTSIDERS = 65533  # a group invented for the tests, that owns nothing
OPERATORS = 64999  # a group invented for the tests, that may read

_NEW_MOUNTS = 0x00020000
_NEW_USERS = 0x10000000
_PRIVATE = 1 << 18 | 1 << 14  # MS_PRIVATE | MS_REC
_READ_ONLY = 1
_REMOUNT = 32
_libc = ctypes.CDLL(None, use_errno=True)


@dataclass(frozen=True)
class User:
    """Who the child is to be."""

    uid: int = NOBODY
    gid: int = OUTSIDERS
    groups: tuple[int, ...] = ()


class ApartError(AssertionError):
    """The work failed in the child; the words are its traceback."""


def run_apart(work: Callable[[], T], *, user: User | None = None, own_mounts: bool = False) -> T:
    """Do the work in a forked child and give what it returns.

    Args:
        work: returns something that can be pickled.
        user: whom the child turns into first; the test fails where that is not allowed.
        own_mounts: the child may mount, and nobody else sees it.
    Raises: ApartError: the work raised, or the child died.
    """
    from_child, to_parent = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # a fork beside threads; none of them is used in the child
        child = os.fork()
    if child == 0:
        _child(work, user, own_mounts, to_parent)
    os.close(to_parent)
    with os.fdopen(from_child, "rb") as pipe:
        answer = pipe.read()
    _, status = os.waitpid(child, 0)
    if not answer:
        raise ApartError(f"the child died without a word, status {os.waitstatus_to_exitcode(status)}")
    done, value = pickle.loads(answer)
    if not done:
        raise ApartError(value)
    result: T = value
    return result


def mount_small(folder: Path, size_bytes: int) -> None:
    """Mount an empty file system in memory of a given size; only inside `run_apart(own_mounts=True)`."""
    _mount(b"tmpfs", folder, b"tmpfs", 0, f"size={size_bytes},mode=0755".encode())


def mount_read_only(folder: Path) -> None:
    """Make a file system mounted by `mount_small` read-only."""
    _mount(b"none", folder, b"", _REMOUNT | _READ_ONLY, b"")


def mount_writable(folder: Path) -> None:
    """Undo `mount_read_only`."""
    _mount(b"none", folder, b"", _REMOUNT, b"")


def _child(work: Callable[[], object], user: User | None, own_mounts: bool, to_parent: int) -> None:
    try:
        try:
            if own_mounts:
                _leave_mounts()
            if user is not None:
                os.setgroups(list(user.groups))
                os.setresgid(user.gid, user.gid, user.gid)
                os.setresuid(user.uid, user.uid, user.uid)
            answer = pickle.dumps((True, work()))
        except BaseException:
            answer = pickle.dumps((False, traceback.format_exc()))
        with os.fdopen(to_parent, "wb") as pipe:
            pipe.write(answer)
    finally:
        os._exit(0)


def _leave_mounts() -> None:
    kinds = _NEW_MOUNTS if os.geteuid() == 0 else _NEW_MOUNTS | _NEW_USERS
    uid, gid = os.getuid(), os.getgid()
    if _libc.unshare(kinds) != 0:
        raise OSError(ctypes.get_errno(), "no mounts of one's own allowed here, neither as root nor as a user")
    if kinds & _NEW_USERS:
        Path("/proc/self/setgroups").write_text("deny", encoding="ascii")
        Path("/proc/self/uid_map").write_text(f"0 {uid} 1", encoding="ascii")
        Path("/proc/self/gid_map").write_text(f"0 {gid} 1", encoding="ascii")
    _mount(b"none", Path("/"), b"", _PRIVATE, b"")


def _mount(source: bytes, folder: Path, kind: bytes, flags: int, options: bytes) -> None:
    if _libc.mount(source, os.fsencode(folder), kind, flags, options) != 0:
        raise OSError(ctypes.get_errno(), f"{folder} can't be mounted")
