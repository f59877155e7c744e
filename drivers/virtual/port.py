"""A real pseudo-terminal on which something virtual speaks, in a thread of its own."""

import heapq
import os
import select
import time
import tty
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Event, Thread
from typing import Protocol

ORDER_LIMIT_S = 10.0  # how long an order to the port's thread may take before it counts as hung
_READ_SIZE = 4096
_LONGEST_WAIT_S = 60.0


def boot_s() -> float:
    """Seconds since boot, sleep included: the clock the service stamps its readings with."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(frozen=True, slots=True)
class Outgoing:
    """Bytes to send at an instant of the port's clock."""

    at_s: float
    data: bytes


class Speaker(Protocol):
    """Whoever speaks on a port: answers what it hears, or talks by itself when it says so."""

    def hear(self, data: bytes, now_s: float) -> Sequence[Outgoing]:
        """Take bytes that came in."""

    def next_s(self) -> float | None:
        """When `tick` is wanted next; None: not until something is heard."""

    def tick(self, now_s: float) -> Sequence[Outgoing]:
        """Say what is due."""

    def lost(self) -> None:
        """The port is gone."""


class VirtualPort:
    """A pseudo-terminal pair with a speaker behind it; a context manager.

    Use it from any thread, beside an asyncio loop or not: the serving is done by its own thread.

    Args:
        speaker: who answers (for instance an `RtuLine`).
        link: a symbolic link kept pointing at the terminal, as a stable name is kept for a real port.
        clock: gives seconds; replies and logs are stamped with it.
    """

    def __init__(self, speaker: Speaker, *, link: Path | None = None, clock: Callable[[], float] = boot_s) -> None:
        self.speaker = speaker
        self.clock = clock
        self.up = Event()  # set while there is a terminal to open
        self.unsent = 0  # bytes nobody took, as on a wire with nobody listening
        self._link = link
        self._device = ""
        self._master = self._slave = -1
        self._due: list[tuple[float, int, bytes]] = []
        self._number = 0
        self._back_s: float | None = None
        self._orders: SimpleQueue[tuple[Callable[[], None] | None, Event]] = SimpleQueue()
        self._wake_read, self._wake_write = os.pipe()
        self._thread = Thread(target=self._serve, name="virtual-port", daemon=True)

    def __enter__(self) -> "VirtualPort":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def path(self) -> str:
        """What a client opens: the link if there is one, else the terminal itself."""
        return str(self._link) if self._link is not None else self._device

    @property
    def device(self) -> str:
        """The terminal itself; empty while the port is gone."""
        return self._device

    def start(self) -> None:
        """Open the terminal and begin to serve."""
        self._open()
        self._thread.start()

    def stop(self) -> None:
        """Close the terminal, remove the link, end the thread."""
        if self._thread.is_alive():
            self._order(None)
            self._thread.join(ORDER_LIMIT_S)
        self._close()
        for fd in (self._wake_read, self._wake_write):
            if fd >= 0:
                os.close(fd)
        self._wake_read = self._wake_write = -1

    def vanish(self, *, back_after_s: float | None = None) -> None:
        """Pull the plug: the terminal closes, the link goes; it comes back by itself after a time, if given."""

        def go() -> None:
            self._close()
            self._back_s = None if back_after_s is None else self.clock() + back_after_s

        self._order(go)

    def come_back(self) -> None:
        """Plug in again: a new terminal under another number, the link moved to it."""

        def back() -> None:
            self._close()
            spare = os.openpty()  # takes the lowest free number, so that ours is another one
            try:
                self._open()
            finally:
                for fd in spare:
                    os.close(fd)

        self._order(back)

    # --- the thread

    def _order(self, what: Callable[[], None] | None) -> None:
        """Have the thread do something between two turns, and wait until it is done."""
        if not self._thread.is_alive():
            raise RuntimeError("the virtual port is not being served; call start() first")
        done = Event()
        self._orders.put((what, done))
        os.write(self._wake_write, b"!")
        if not done.wait(ORDER_LIMIT_S):
            raise TimeoutError(f"the virtual port {self.path} took no order in {ORDER_LIMIT_S:.0f} s")

    def _serve(self) -> None:
        while True:
            watched = [self._wake_read] + ([self._master] if self._master >= 0 else [])
            ready, _, _ = select.select(watched, [], [], self._wait_s())
            if self._wake_read in ready:
                os.read(self._wake_read, _READ_SIZE)
                if not self._take_orders():
                    return
                continue
            now_s = self.clock()
            if self._back_s is not None and now_s >= self._back_s:
                self._back_s = None
                self._open()
            if self._master in ready:
                self._queue(self._hear(now_s))
            wanted_s = self.speaker.next_s()
            if wanted_s is not None and wanted_s <= now_s:
                self._queue(self.speaker.tick(now_s))
            self._send(self.clock())

    def _take_orders(self) -> bool:
        """Do what was ordered; False when it was to end."""
        while True:
            try:
                what, done = self._orders.get_nowait()
            except Empty:
                return True
            if what is not None:
                what()
            done.set()
            if what is None:
                return False

    def _wait_s(self) -> float:
        times = [at_s for at_s in (self.speaker.next_s(), self._back_s) if at_s is not None]
        if self._due:
            times.append(self._due[0][0])
        return min(_LONGEST_WAIT_S, max(0.0, min(times) - self.clock())) if times else _LONGEST_WAIT_S

    def _hear(self, now_s: float) -> Sequence[Outgoing]:
        try:
            data = os.read(self._master, _READ_SIZE)
        except BlockingIOError:
            return ()
        return self.speaker.hear(data, now_s)

    def _queue(self, pieces: Sequence[Outgoing]) -> None:
        for piece in pieces:
            self._number += 1  # keeps pieces of one instant in order
            heapq.heappush(self._due, (piece.at_s, self._number, piece.data))

    def _send(self, now_s: float) -> None:
        while self._due and self._due[0][0] <= now_s:
            data = heapq.heappop(self._due)[2]
            try:
                taken = os.write(self._master, data) if self._master >= 0 else 0
            except BlockingIOError:
                taken = 0
            self.unsent += len(data) - taken

    # --- the terminal

    def _open(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._device = os.ttyname(self._slave)
        if self._link is not None:
            fresh = self._link.with_name(self._link.name + ".new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self._device)
            fresh.replace(self._link)
        self.up.set()

    def _close(self) -> None:
        if self._master < 0:
            return
        self.up.clear()
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1
        self._device = ""
        self._due.clear()
        self.speaker.lost()
