"""A wait that ends when somebody rings, when one of some channels has something, or when its time is over."""

import select
import socket
from collections.abc import Sequence
from contextlib import suppress
from typing import Protocol


class Channel(Protocol):
    """Anything with a file number."""

    def fileno(self) -> int:
        """Give the number."""


class Bell:
    """For one thread that waits; `ring` is for any."""

    def __init__(self) -> None:
        """Make the two ends."""
        self._inside, self._outside = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._inside.setblocking(False)
        self._outside.setblocking(False)

    def ring(self) -> None:
        """End the wait, or the next one."""
        with suppress(OSError):  # it is full of rings already, or closed
            self._outside.send(b"!")

    def wait(self, timeout_s: float, reading: Sequence[Channel] = (), writing: Sequence[Channel] = ()) -> bool:
        """Wait; tell whether the bell was rung.

        Args:
            timeout_s: the longest wait, s.
            reading, writing: channels whose having something, or having room, ends the wait too.
        """
        ready, _, _ = select.select([self._inside, *reading], list(writing), [], max(0.0, timeout_s))
        if self._inside not in ready:
            return False
        with suppress(BlockingIOError):
            while self._inside.recv(16):
                pass
        return True

    def close(self) -> None:
        """Close both ends; nobody may wait any more."""
        self._inside.close()
        self._outside.close()
