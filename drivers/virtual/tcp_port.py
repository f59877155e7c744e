"""A TCP endpoint on which something virtual speaks: bare RTU frames, or Modbus/TCP as a gateway makes them.

Own frame code, like all of the simulated site's; see `drivers.virtual.rtu_frames`.
"""

import heapq
import selectors
import socket
from collections.abc import Callable, Mapping, Sequence
from threading import Event, Thread
from types import MappingProxyType

from drivers.virtual.port import Outgoing, Speaker, boot_s
from drivers.virtual.rtu_frames import check_bytes, refusal, sealed

TCP_FAULTS: Mapping[str, str] = MappingProxyType(
    {
        "closed": "the connection is closed instead of an answer",
        "hung": "nothing is answered on this connection any more",
        "wrong-transaction": "the answer under another number",
        "tcp-late": "the right answer, after the client gave up",
        "tcp-cut": "the answer ends early",
    }
)
LATE_S = 0.45
GATEWAY_GOT_NOTHING = 11
_HEADER = 6  # number, protocol, length; then unit and function
_STOP_S = 10.0


class TcpGateway:
    """Speaks Modbus/TCP for the units of a virtual RTU line; give it to a `TcpPort`.

    A frame of the line that is spoiled is answered as gateways do: with exception 11.

    Args:
        line: the line behind it, with faults of its own.
        faults: asked before each answer for the name of a fault of TCP_FAULTS, or None.
    """

    def __init__(self, line: Speaker, *, faults: Callable[[], str | None] = lambda: None) -> None:
        self.line = line
        self.faults = faults
        self.closing = False  # the port is to close the connection
        self._buffer = b""
        self._hung = False

    def hear(self, data: bytes, now_s: float) -> Sequence[Outgoing]:
        """Take bytes of a connection; hand back the answers."""
        self._buffer += data
        out: list[Outgoing] = []
        while len(self._buffer) >= _HEADER:
            size = _HEADER + int.from_bytes(self._buffer[4:6], "big")
            if self._buffer[2:4] != b"\0\0" or size > 260:
                self.closing = True
                return out
            if len(self._buffer) < size:
                return out
            frame, self._buffer = self._buffer[:size], self._buffer[size:]
            out += self._answer(frame, now_s)
        return out

    def next_s(self) -> float | None:
        """It speaks only when asked."""
        return None

    def tick(self, now_s: float) -> Sequence[Outgoing]:
        """Nothing to say unasked."""
        return ()

    def lost(self) -> None:
        """The connection is gone."""
        self._buffer, self._hung, self.closing = b"", False, False
        self.line.lost()

    def _answer(self, frame: bytes, now_s: float) -> list[Outgoing]:
        number, asked = frame[:2], frame[_HEADER:]
        fault = self.faults()
        self._hung = self._hung or fault == "hung"
        if self._hung:
            return []
        if fault == "closed":
            self.closing = True
            return []
        pieces = self.line.hear(sealed(asked), now_s)
        if fault == "wrong-transaction":
            number = bytes((number[0] ^ 1, number[1]))
        heard = b"".join(piece.data for piece in pieces)
        if not heard:
            return []
        right = len(heard) >= 5 and check_bytes(heard[:-2]) == heard[-2:]
        body = heard[:-2] if right else refusal(asked[0], asked[1], GATEWAY_GOT_NOTHING)[:-2]
        answer = number + b"\0\0" + len(body).to_bytes(2, "big") + body
        if fault == "tcp-cut":
            answer = answer[: len(answer) // 2]
        return [Outgoing(pieces[-1].at_s + (LATE_S if fault == "tcp-late" else 0.0), answer)]


class TcpPort:
    """A listening socket on the loopback with a speaker behind it, one client at a time; a context manager.

    Args:
        speaker: a `TcpGateway`, or an `RtuLine` for bare RTU frames.
        clock: gives seconds.
    """

    def __init__(self, speaker: Speaker, *, clock: Callable[[], float] = boot_s) -> None:
        self.speaker = speaker
        self.clock = clock
        self.up = Event()
        self.connections = 0
        self._listener: socket.socket | None = None
        self._number = 0
        self._client: socket.socket | None = None
        self._due: list[tuple[float, int, bytes]] = []
        self._order = 0
        self._ending = Event()
        self._thread: Thread | None = None
        self._wake, self._woken = socket.socketpair()

    def __enter__(self) -> "TcpPort":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        self._wake.close()
        self._woken.close()

    @property
    def endpoint(self) -> str:
        """HOST:PORT; the same after a restart."""
        return f"127.0.0.1:{self._number}"

    def start(self) -> None:
        """Listen and serve; also again after `stop`, on the same port."""
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self._number))
        listener.listen()
        self._number = int(listener.getsockname()[1])
        self._listener = listener
        self._ending.clear()
        self._thread = Thread(target=self._serve, args=(listener,), name="virtual-tcp-port", daemon=True)
        self._thread.start()
        self.up.set()

    def stop(self) -> None:
        """Close everything, as when the device loses power; harmless when done already."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self.up.clear()
        self._ending.set()
        self._wake.send(b"!")
        thread.join(_STOP_S)

    # --- the thread

    def _serve(self, listener: socket.socket) -> None:
        with listener:
            while not self._ending.is_set():
                with selectors.DefaultSelector() as selector:
                    for one in (listener, self._woken, self._client):
                        if one is not None:
                            selector.register(one, selectors.EVENT_READ)
                    wait_s = max(0.0, self._due[0][0] - self.clock()) if self._due else None
                    ready = {key.fileobj for key, _ in selector.select(wait_s)}
                if self._woken in ready:
                    self._woken.recv(64)
                if listener in ready:
                    self._accept(listener)
                elif self._client is not None and self._client in ready:
                    self._hear(self._client)
                self._send()
            self._drop()

    def _accept(self, listener: socket.socket) -> None:
        self._drop()
        self._client, _ = listener.accept()
        self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.connections += 1

    def _hear(self, client: socket.socket) -> None:
        try:
            data = client.recv(4096)
        except ConnectionError:
            data = b""
        if not data:
            self._drop()
            return
        for piece in self.speaker.hear(data, self.clock()):
            self._order += 1
            heapq.heappush(self._due, (piece.at_s, self._order, piece.data))
        if getattr(self.speaker, "closing", False):
            self._drop()

    def _send(self) -> None:
        while self._due and self._due[0][0] <= self.clock():
            data = heapq.heappop(self._due)[2]
            if self._client is not None:
                try:
                    self._client.sendall(data)
                except ConnectionError:
                    self._drop()

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self._due.clear()
        self.speaker.lost()
