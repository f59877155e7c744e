"""The Modbus slave of `rtu_slave` behind a TCP socket: as bare RTU frames, or as a gateway with Modbus/TCP frames.

A gateway may do worse than lose answers: here it puts late, stale and doubled answers under the number
of the question it is just asked, so that only their shape can tell. Own faults besides those of the
serial slave: wrong-transaction, wrong-protocol, closed, hung.
"""

import heapq
import os
import selectors
import socket
import time
from collections.abc import Callable
from typing import Any

from servers.rtu_slave import Asked, Fault, RtuSlave, checksum

# By framing; "hung" is not among them, because nothing but the client ends it.
TCP_KINDS = {"tcp": ("wrong-transaction", "wrong-protocol", "closed"), "rtu": ("closed",)}


class _AsIs(bytes):
    """Bytes that go out as they are."""


class TcpSlave(RtuSlave):
    """Serves one client at a time from a thread, until closed.

    Args:
        framing: "tcp" or "rtu".
        others: as for `RtuSlave`.

    Attributes:
        path: HOST:PORT.
        connections: how many there were.
    """

    def __init__(self, registers: Callable[[int, int, int, int], int], *, framing: str = "tcp", **others: Any) -> None:
        self.framing = framing
        self.connections = 0
        self._number = b"\0\0"
        self._hung = False
        self._listener = socket.socket()
        super().__init__(registers, **others)

    def _open(self) -> None:
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.bind(("127.0.0.1", 0))
        self._listener.listen()
        host, port = self._listener.getsockname()
        self.path = f"{host}:{port}"
        self._client: socket.socket | None = None

    def _close_handles(self) -> None:
        self._drop()
        self._listener.close()
        for handle in (self._wake_read, self._wake_write):
            os.close(handle)

    def send(self, data: bytes) -> None:
        """Put bytes on the connection that nobody asked for."""
        assert self._client is not None
        self._client.sendall(data)

    # -- the thread ----------------------------------------------------------------------------

    def _serve(self) -> None:
        try:
            while not self._ending:
                with selectors.DefaultSelector() as selector:
                    for one in (self._listener, self._client, self._wake_read):
                        if one is not None:
                            selector.register(one, selectors.EVENT_READ)
                    wait_s = max(0.0, self._due[0][0] - time.monotonic()) if self._due else None
                    ready = {key.fileobj for key, _ in selector.select(wait_s)}
                if self._listener in ready:
                    self._accept()
                elif self._client is not None and self._client in ready:
                    self._hear(self._client)
                self._send_due()
        except BaseException as error:
            self.failure = error

    def _accept(self) -> None:
        self._drop()
        self._client, _ = self._listener.accept()
        self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.connections += 1

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client = None
        self._buffer, self._due, self._hung = b"", [], False

    def _hear(self, client: socket.socket) -> None:
        try:
            data = client.recv(4096)
        except ConnectionError:
            data = b""
        if not data:
            self._drop()
        elif not self._hung:
            self._take(data)

    def _send_due(self) -> None:
        while self._due and self._due[0][0] <= time.monotonic():
            data = heapq.heappop(self._due)[2]
            if self._client is not None:
                try:
                    self._client.sendall(data)
                except ConnectionError:
                    self._drop()

    def _take(self, data: bytes) -> None:
        if self.framing == "rtu":
            super()._take(data)
            return
        self.state.raw += data[: max(0, self.state.raw_most - len(self.state.raw))]
        self._buffer += data
        while len(self._buffer) >= 12:  # number, protocol, length, unit, function, address, count
            request, self._buffer = self._buffer[:12], self._buffer[12:]
            if request[2:6] != b"\0\0\0\6":
                self.state.bad_requests += 1
                continue
            self._number = request[:2]
            self._answer(request[6:] + checksum(request[6:]))

    def _put(self, data: bytes, after_s: float = 0.0) -> None:
        whole = len(data) >= 5 and checksum(data[:-2]) == data[-2:]
        if self.framing == "tcp" and whole and not isinstance(data, _AsIs):
            data = self._wrapped(data)
        super()._put(data, after_s)

    def _wrapped(self, frame: bytes) -> bytes:
        return self._number + b"\0\0" + (len(frame) - 2).to_bytes(2, "big") + frame[:-2]

    def _spoiled(
        self, asked: Asked, registers: list[int], right: bytes, stale: bytes, fault: Fault
    ) -> list[tuple[bytes, float]]:
        if fault.kind == "closed":
            if self._client is not None:
                self._client.shutdown(socket.SHUT_RDWR)
            return []
        if fault.kind == "hung":
            self._hung = True
            return []
        if self.framing == "rtu":
            return super()._spoiled(asked, registers, right, stale, fault)
        wrapped = self._wrapped(right)
        middle = len(wrapped) // 2
        own: dict[str, list[tuple[bytes, float]]] = {
            "wrong-transaction": [(bytes((wrapped[0] ^ 0x40,)) + wrapped[1:], 0.0)],
            "wrong-protocol": [(wrapped[:3] + b"\7" + wrapped[4:], 0.0)],
            "bad-crc": [],  # a gateway keeps it to itself
            "cut": [(wrapped[:middle], 0.0)],
            "noise": [(fault.noise + wrapped, 0.0)],
            "twice": [(wrapped + wrapped, 0.0)],
            "pause": [(wrapped[:middle], 0.0), (wrapped[middle:], fault.by_s)],
            "late-half": [(wrapped[:middle], 0.0), (wrapped[middle:], fault.by_s)],
        }
        if fault.kind in own:
            return [(_AsIs(data), by_s) for data, by_s in own[fault.kind]]
        pieces = super()._spoiled(asked, registers, right, stale, fault)
        if fault.kind == "echo":
            data = pieces[0][0]
            return [(_AsIs(self._wrapped(data[:8]) + wrapped), 0.0)]
        return pieces
