"""A Modbus RTU slave on a real pseudo-terminal, written from the published frames, with faults on order.

It shares no code with the driver or its library: own checksum (bit by bit), own frames. Every
request served counts a serial number up, and `truth` keeps what the registers held at that moment,
so a test can tell whether a value that was accepted is the one of that very request.
"""

import heapq
import os
import selectors
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

KEPT_MOST = 1000  # requests remembered
CHUNK = 16  # bytes written at once when paced


def checksum(data: bytes) -> bytes:
    """The two bytes at the end of a frame, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            odd = crc & 1
            crc >>= 1
            if odd:
                crc ^= 0xA001
    return bytes((crc & 0xFF, crc >> 8))


def frame(*body: int) -> bytes:
    """Bytes with their checksum."""
    return bytes(body) + checksum(bytes(body))


def reply_frame(unit: int, function: int, registers: list[int]) -> bytes:
    """The answer to a read."""
    data = b"".join(register.to_bytes(2, "big") for register in registers)
    return frame(unit, function, len(data), *data)


@dataclass(frozen=True)
class Asked:
    """One read request as it came."""

    serial: int
    unit: int
    function: int
    address: int
    count: int


@dataclass(frozen=True)
class Fault:
    """What goes wrong with one answer.

    kind: silent, late, one-late, stale, bad-crc, wrong-unit, wrong-function, too-few, too-many, cut,
    noise, twice, twice-later, twice-next, echo, exception, pause, late-half.
    """

    kind: str
    by_s: float = 0.0
    code: int = 4
    noise: bytes = b"\x00\xff\x7e\x13\x55"


# Called with (unit, function, address, serial); gives the register, 0 to 65535.
Registers = Callable[[int, int, int, int], int]


@dataclass
class SlaveState:
    """What a test may look at; written by the slave's thread only."""

    asked: deque[Asked] = field(default_factory=lambda: deque(maxlen=KEPT_MOST))
    truth: deque[tuple[int, tuple[int, ...]]] = field(default_factory=lambda: deque(maxlen=KEPT_MOST))
    raw: bytearray = field(default_factory=bytearray)  # everything that came, up to raw_most
    raw_most: int = 1_000_000
    serial: int = 0
    bad_requests: int = 0


class RtuSlave:
    """Serves units on one pseudo-terminal from a thread, until closed.

    Args:
        registers: what each register holds.
        units: the units that answer; others are silent.
        fault: asked before each answer; None is no fault.
        answer_s: how long an answer takes when nothing is wrong.
        baud: when given, request and answer take the time they would on such a line (8N1).
        readable: (function, address) pairs that exist; None is all. Others get exception 2.
    """

    def __init__(
        self,
        registers: Registers,
        *,
        units: tuple[int, ...] = (1,),
        fault: Callable[[Asked], Fault | None] = lambda asked: None,
        answer_s: float = 0.0,
        baud: int | None = None,
        readable: frozenset[tuple[int, int]] | None = None,
    ) -> None:
        self.registers = registers
        self.units = units
        self.fault = fault
        self.answer_s = answer_s
        self.baud = baud
        self.readable = readable
        self.state = SlaveState()
        self._buffer = b""
        self._due: list[tuple[float, int, bytes]] = []
        self._order = 0
        self._held: dict[int, bytes] = {}  # one-late: the answer kept back, by unit
        self._last: dict[int, bytes] = {}  # the last right answer, by unit
        self._next: list[bytes] = []  # twice-next: sent just when the next request has come
        self.path = ""
        self._open()
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name=f"slave {self.path}", daemon=True)
        self._ending = False
        self.failure: BaseException | None = None

    def _open(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)

    def _close_handles(self) -> None:
        for handle in (self._slave, self._master, self._wake_read, self._wake_write):
            os.close(handle)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Take the port away, as when an adapter is unplugged; harmless when done already."""
        if self._ending:
            return
        self._ending = True
        os.write(self._wake_write, b"x")
        self._thread.join(5.0)
        self._close_handles()
        if self.failure is not None:
            raise self.failure

    def send(self, data: bytes) -> None:
        """Put bytes on the line that nobody asked for."""
        os.write(self._master, data)

    # -- the thread ----------------------------------------------------------------------------

    def _serve(self) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self._master, selectors.EVENT_READ)
            selector.register(self._wake_read, selectors.EVENT_READ)
            try:
                while not self._ending:
                    wait_s = max(0.0, self._due[0][0] - time.monotonic()) if self._due else None
                    events = selector.select(wait_s)
                    if any(key.fd == self._master for key, _ in events):
                        self._take(os.read(self._master, 4096))
                    self._send_due()
            except BaseException as error:
                self.failure = error

    def _send_due(self) -> None:
        while self._due and self._due[0][0] <= time.monotonic():
            os.write(self._master, heapq.heappop(self._due)[2])

    def _put(self, data: bytes, after_s: float = 0.0) -> None:
        """Send after a while; paced lines send in pieces at the pace of the line."""
        at_s = time.monotonic() + after_s
        for start in range(0, len(data), CHUNK if self.baud else max(1, len(data))):
            piece = data[start : start + CHUNK] if self.baud else data
            if self.baud:
                at_s += len(piece) * 10 / self.baud
            self._order += 1
            heapq.heappush(self._due, (at_s, self._order, piece))

    def _take(self, data: bytes) -> None:
        if len(self.state.raw) < self.state.raw_most:
            self.state.raw += data
        self._buffer += data
        while len(self._buffer) >= 8:
            request = self._buffer[:8]
            if checksum(request[:6]) != request[6:]:
                self._buffer = self._buffer[1:]
                self.state.bad_requests += 1
                continue
            self._buffer = self._buffer[8:]
            self._answer(request)

    def _answer(self, request: bytes) -> None:
        unit, function = request[0], request[1]
        address, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        state = self.state
        state.serial += 1
        asked = Asked(state.serial, unit, function, address, count)
        state.asked.append(asked)
        for late in self._next:
            self._put(late)
        self._next = []
        if unit not in self.units:
            return
        places = [(function, address + offset) for offset in range(count)]
        if refusal := self._refusal(function, places):
            self._put(frame(unit, function | 0x80, refusal))
            return
        registers = [self.registers(unit, function, place, asked.serial) for _, place in places]
        state.truth.append((asked.serial, tuple(registers)))
        wire_s = (8 * 10 + 35) / self.baud if self.baud else 0.0
        self._send_with_fault(asked, registers, self.fault(asked), self.answer_s + wire_s)

    def _refusal(self, function: int, places: list[tuple[int, int]]) -> int:
        """The exception code for a request that is not served, or 0."""
        if function not in (3, 4):
            return 1
        if not 1 <= len(places) <= 125:
            return 3
        return 2 if self.readable is not None and not self.readable.issuperset(places) else 0

    def _send_with_fault(self, asked: Asked, registers: list[int], fault: Fault | None, after_s: float) -> None:
        unit, function = asked.unit, asked.function
        right = reply_frame(unit, function, registers)
        stale = self._last.get(unit, b"")
        self._last[unit] = right
        if fault is None:
            self._held.pop(unit, None)
            self._put(right, after_s)
            return
        if fault.kind == "one-late":
            held, self._held[unit] = self._held.get(unit, b""), right
            if held:
                self._put(held, after_s)
            return
        self._held.pop(unit, None)
        for data, by_s in self._spoiled(asked, registers, right, stale, fault):
            self._put(data, after_s + by_s)

    def _spoiled(
        self, asked: Asked, registers: list[int], right: bytes, stale: bytes, fault: Fault
    ) -> list[tuple[bytes, float]]:
        """What is sent instead of the right answer, and when."""
        unit, function, by_s, middle = asked.unit, asked.function, fault.by_s, len(right) // 2
        if fault.kind == "twice-next":
            self._next.append(right)
        sent: Mapping[str, list[tuple[bytes, float]]] = {
            "silent": [],
            "late": [(right, by_s)],
            "stale": [(stale, 0.0)] if stale else [],
            "bad-crc": [(right[:-1] + bytes((right[-1] ^ 0x40,)), 0.0)],
            "wrong-unit": [(reply_frame(unit % 247 + 1, function, registers), 0.0)],
            "wrong-function": [(reply_frame(unit, 7 - function, registers), 0.0)],
            "too-few": [(reply_frame(unit, function, registers[:-1]), 0.0)],
            "too-many": [(reply_frame(unit, function, [*registers, 0x1234]), 0.0)],
            "cut": [(right[:middle], 0.0)],
            "noise": [(fault.noise + right, 0.0)],
            "twice": [(right + right, 0.0)],
            "twice-later": [(right, 0.0), (right, by_s)],
            "twice-next": [(right, 0.0)],
            "echo": [(frame(unit, function, asked.address >> 8, asked.address & 0xFF, 0, asked.count) + right, 0.0)],
            "exception": [(frame(unit, function | 0x80, fault.code), 0.0)],
            "pause": [(right[:middle], 0.0), (right[middle:], by_s)],
            "late-half": [(right[:middle], 0.0), (right[middle:], by_s)],
        }
        return sent[fault.kind]
