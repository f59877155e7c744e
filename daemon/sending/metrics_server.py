"""A small HTTP server for the metrics, on this computer's own address only: one thread, few clients, short times.

It answers GET and HEAD of /metrics, closes each connection after one answer, and never waits for a client:
whoever is slow is cut off after some seconds while the others are served. A Host that is not this computer is
refused, so that no web page in a browser here can read it under another name.
"""

import logging
import socket
import time
from collections.abc import Callable
from contextlib import suppress

from daemon.errors import StoreError
from daemon.sending.bell import Bell
from daemon.trouble_log import TroubleLog
from shared.open_metrics import CONTENT_TYPE

log = logging.getLogger("halfmark.send")

CLIENTS_MOST = 8  # at a time; one more takes the place of the one that has been there longest
HEAD_MOST = 8192  # bytes of a request
CLIENT_S = 5.0  # for a whole connection
FRESH_S = 1.0  # a text as new as this is given out again
BIND_AGAIN_S, BIND_AGAIN_MOST_S = 5.0, 300.0
PATH = "/metrics"
PLAIN = "text/plain; charset=utf-8"
_REASONS = {200: "OK", 400: "Bad Request", 403: "Forbidden", 404: "Not Found", 405: "Method Not Allowed",
            431: "Request Header Fields Too Large", 503: "Service Unavailable"}  # fmt: skip


class _Client:
    """One connection: what it has asked so far, and what it is still to be given."""

    def __init__(self, channel: socket.socket, until_s: float) -> None:
        self.channel = channel
        self.until_s = until_s
        self.asked = bytearray()
        self.answer: memoryview | None = None

    def fileno(self) -> int:
        return self.channel.fileno()


class MetricsServer:
    """For one thread; `bell` wakes it."""

    def __init__(
        self,
        listen: tuple[str, int],
        text: Callable[[], str],
        bell: Bell,
        *,
        clock: Callable[[], float] = time.monotonic,
        client_s: float = CLIENT_S,
        told: Callable[[str | None], None] = lambda why: None,
    ) -> None:
        """Open nothing yet.

        Args:
            listen: address and port; port 0 takes a free one.
            text: makes the exposition; raises StoreError or OSError while the record can't be read.
            bell: rung when a wait is to end.
            clock: seconds, never going back.
            client_s: how long a connection may take, s.
            told: told why it can't listen, None when it does.
        """
        self._listen, self._text, self._bell = listen, text, bell
        self._clock, self._client_s, self._told = clock, client_s, told
        self._door: socket.socket | None = None
        self._clients: list[_Client] = []
        self._bind_again_s = float("-inf")
        self._delay_s = 0.0
        self._made: tuple[float, bytes] | None = None
        self._trouble = TroubleLog(log, "metrics")
        self._record_trouble = TroubleLog(log, "metrics: record")

    @property
    def port(self) -> int | None:
        """The port it listens on; None while it does not."""
        return None if self._door is None else int(self._door.getsockname()[1])

    def turn(self) -> float:
        """Listen if it does not yet; cut off who was too slow.

        Returns: seconds at which to come again whatever happens.
        """
        now_s = self._clock()
        if self._door is None and now_s >= self._bind_again_s:
            self._bind(now_s)
        for client in [client for client in self._clients if client.until_s <= now_s]:
            self._drop(client)
        if self._door is None:
            return self._bind_again_s
        return min((client.until_s for client in self._clients), default=now_s + BIND_AGAIN_MOST_S)

    def wait(self, until_s: float) -> None:
        """Serve whoever is ready, then come back; at the latest at `until_s`, or when the bell rings."""
        reading = [client for client in self._clients if client.answer is None]
        writing = [client for client in self._clients if client.answer is not None]
        doors = [] if self._door is None else [self._door]
        self._bell.wait(until_s - self._clock(), [*doors, *reading], writing)
        for client in reading:
            self._read(client)
        for client in writing:
            self._write(client)
        self._accept()

    def close(self) -> None:
        """Hang up on everybody and listen no more."""
        for client in list(self._clients):
            self._drop(client)
        if self._door is not None:
            self._door.close()
            self._door = None

    # -- the parts of a turn -------------------------------------------------------------------

    def _bind(self, now_s: float) -> None:
        host, port = self._listen
        door = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM)
        try:
            door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            door.setblocking(False)
            door.bind((host, port))
            door.listen(4 * CLIENTS_MOST)
        except OSError as why:
            door.close()
            self._delay_s = min(BIND_AGAIN_MOST_S, max(BIND_AGAIN_S, 2.0 * self._delay_s))
            self._bind_again_s = now_s + self._delay_s
            words = f"can't listen on {host} port {port}: {why.strerror or why}"
            self._trouble.failed(now_s, words)
            self._told(words)
            return
        self._door, self._delay_s = door, 0.0
        self._trouble.recovered(now_s)
        self._told(None)

    def _accept(self) -> None:
        for _ in range(CLIENTS_MOST if self._door is not None else 0):
            assert self._door is not None
            try:
                channel, _ = self._door.accept()
            except (BlockingIOError, ConnectionError):
                return
            except OSError as why:  # no file numbers left: the door is opened anew later
                self._trouble.failed(self._clock(), f"can't take a connection: {why.strerror or why}")
                self._door.close()
                self._door, self._bind_again_s = None, self._clock() + BIND_AGAIN_S
                return
            channel.setblocking(False)
            if len(self._clients) >= CLIENTS_MOST:
                self._drop(self._clients[0])
            self._clients.append(_Client(channel, self._clock() + self._client_s))

    def _read(self, client: _Client) -> None:
        try:
            data = client.channel.recv(HEAD_MOST)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        client.asked += data
        if b"\r\n\r\n" in client.asked or b"\n\n" in client.asked:
            client.answer = memoryview(self._answer(bytes(client.asked)))
        elif len(client.asked) >= HEAD_MOST:
            client.answer = memoryview(_reply(431, "the request is too long\n"))

    def _write(self, client: _Client) -> None:
        assert client.answer is not None
        try:
            sent = client.channel.send(client.answer)
        except BlockingIOError:
            return
        except OSError:
            self._drop(client)
            return
        client.answer = client.answer[sent:]
        if not client.answer:
            self._drop(client)

    def _drop(self, client: _Client) -> None:
        self._clients.remove(client)
        with suppress(OSError):  # it may have hung up already
            client.channel.shutdown(socket.SHUT_WR)
        client.channel.close()

    # -- an answer -----------------------------------------------------------------------------

    def _answer(self, asked: bytes) -> bytes:
        head = asked.replace(b"\r\n", b"\n").partition(b"\n\n")[0].decode("latin-1").split("\n")
        words = head[0].split(" ")
        if len(words) != 3 or not words[2].startswith("HTTP/1."):
            return _reply(400, "no HTTP request\n")
        method, path = words[0], words[1].partition("?")[0]
        hosts = [line.partition(":")[2].strip() for line in head[1:] if line.partition(":")[0].lower() == "host"]
        if not all(map(is_here, hosts)):
            return _reply(403, "ask this computer by its own address, 127.0.0.1 or localhost\n")
        if method not in ("GET", "HEAD"):
            return _reply(405, "only GET and HEAD\n", "Allow: GET, HEAD")
        if path != PATH:
            return _reply(404, f"the metrics are at {PATH}\n", body=method == "GET")
        try:
            text = self._fresh()
        except (StoreError, OSError) as why:
            self._record_trouble.failed(self._clock(), f"can't be read: {why}")
            return _reply(503, "the record can't be read now\n", body=method == "GET")
        self._record_trouble.recovered(self._clock())
        return _reply(200, text, kind=CONTENT_TYPE, body=method == "GET")

    def _fresh(self) -> bytes:
        now_s = self._clock()
        if self._made is None or now_s - self._made[0] >= FRESH_S:
            self._made = (now_s, self._text().encode("utf-8"))
        return self._made[1]


def is_here(host: str) -> bool:
    """Tell whether a request's Host, with or without a port, names this computer itself."""
    name, _, port = host.rpartition(":")
    name = name if port.isdigit() and name else host
    return name.lower() in ("localhost", "[::1]") or (
        name.startswith("127.") and all(part.isdigit() for part in name.split("."))
    )


def _reply(status: int, text: str | bytes, more: str = "", *, kind: str = PLAIN, body: bool = True) -> bytes:
    content = text if isinstance(text, bytes) else text.encode()
    head = [
        f"HTTP/1.1 {status} {_REASONS[status]}", f"Content-Type: {kind}", f"Content-Length: {len(content)}",
        "Cache-Control: no-store", "X-Content-Type-Options: nosniff", "Connection: close", *([more] if more else []),
    ]  # fmt: skip
    return "\r\n".join([*head, "", ""]).encode("latin-1") + (content if body else b"")
