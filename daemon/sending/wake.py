"""A datagram socket that wakes `send` when the service has queued a notice; without it, `send` looks by itself.

The runtime folder may vanish and come back with the service, so the socket is bound again when its
name is gone.
"""

import select
import socket
from contextlib import suppress
from pathlib import Path

SOCKET_NAME = "send.sock"
SOCKET_MODE = 0o660  # the service may run as another user of the same group
WAKE = b"!"
DRAIN_MOST = 1000  # wakes that are taken as one


def wake_send(runtime_folder: Path) -> bool:
    """Tell `send` that there is something for it; never waits, never raises.

    Returns: False when nobody listens: it will see the notice at its next look.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.setblocking(False)
        try:
            channel.sendto(WAKE, str(runtime_folder / SOCKET_NAME))
        except BlockingIOError:  # so many wakes wait there already that one more says nothing new
            return True
        except OSError:
            return False
    return True


class WakeSocket:
    """The sender's end: woken from outside by `wake_send`, from inside (threads, signals) by `ring`."""

    def __init__(self, runtime_folder: Path) -> None:
        """Bind the socket if it can be; see `why` for what stands against it."""
        self.why: str | None = None
        self._path = runtime_folder / SOCKET_NAME
        self._outside: socket.socket | None = None
        self._bound: tuple[int, int] | None = None  # device and inode of the name that is ours
        self._inside, self._bell = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._inside.setblocking(False)
        self._bell.setblocking(False)
        self._bind()

    def wait(self, timeout_s: float) -> bool:
        """Wait until woken, at most `timeout_s`; tell whether anybody called."""
        if self._named() != self._bound or self._bound is None:
            self._bind()
        channels = [self._inside] if self._outside is None else [self._inside, self._outside]
        ready, _, _ = select.select(channels, [], [], max(0.0, timeout_s))
        for channel in ready:
            _drain(channel)
        return bool(ready)

    def ring(self) -> None:
        """Wake the waiter; safe on any thread and in a signal handler."""
        with suppress(OSError):
            self._bell.send(WAKE)

    def close(self) -> None:
        """Close everything, and take the name away if it is still ours."""
        if self._outside is not None:
            if self._named() == self._bound:
                with suppress(OSError):
                    self._path.unlink()
            self._outside.close()
        self._inside.close()
        self._bell.close()

    def _bind(self) -> None:
        if self._outside is not None:
            self._outside.close()
        self._outside = self._bound = None
        channel = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        try:
            with suppress(FileNotFoundError):
                self._path.unlink()  # left over by one that was killed; two senders are kept apart by a lock
            channel.bind(str(self._path))
            self._path.chmod(SOCKET_MODE)
        except OSError as why:
            channel.close()
            self.why = f"{self._path}: {why.strerror or why}"
            return
        channel.setblocking(False)
        self._outside, self._bound, self.why = channel, self._named(), None

    def _named(self) -> tuple[int, int] | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino


def _drain(channel: socket.socket) -> None:
    with suppress(OSError):
        for _ in range(DRAIN_MOST):
            channel.recv(16)
