"""A small web server for tests: takes posts, and does to them what the test says. On a thread of its own.

with PostServer() as server:
    server.answers = [Answer(503, {"Retry-After": "120"}), Answer(204)]
    ...
    posts = server.wait(2)
"""

import gzip
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from urllib.parse import parse_qs, urlsplit

CERTIFICATE = Path(__file__).parent / "mail_sink_localhost.pem"
WAIT_S = 10.0


@dataclass(frozen=True)
class Post:
    """What came in; `body` is unpacked."""

    path: str
    query: dict[str, list[str]]
    headers: dict[str, str]
    body: bytes
    packed_bytes: int

    @property
    def lines(self) -> list[str]:
        return self.body.decode().splitlines()


@dataclass(frozen=True)
class Answer:
    """What is answered.

    Attributes:
        does: "answer"; "hang" says nothing until the server is closed; "close" hangs up without an answer;
            "cut" hangs up in the middle of the body.
    """

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    does: str = "answer"


@dataclass
class PostServer:
    """Settings may be changed while it runs.

    Attributes:
        answers: for the next posts, one each; `judge` when there is none left.
        judge: what a post is answered with.
        tls: speak TLS with the tests' certificate for localhost.
        port: 0 picks a free one.
    """

    answers: list[Answer] = field(default_factory=list)
    judge: Callable[[Post], Answer] = lambda post: Answer()
    tls: bool = False
    port: int = 0

    def __post_init__(self) -> None:
        self.posts: list[Post] = []
        self._changed = threading.Condition()
        self._closing = threading.Event()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:  # noqa: N802
                outer._take(self)

            def log_message(self, format: str, *args: object) -> None:
                return

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, request: object, client_address: object) -> None:
                return  # a client that hangs up is what many tests are about

        self._server = Server(("127.0.0.1", self.port), Handler)
        if self.tls:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(CERTIFICATE)
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.02,), name="post server", daemon=True
        )

    @property
    def url(self) -> str:
        return f"{'https' if self.tls else 'http'}://localhost:{self.port}"

    def __enter__(self) -> "PostServer":
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self._closing.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(WAIT_S)

    def wait(self, count: int) -> list[Post]:
        """Wait until so many posts have come in, and give them all."""
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.posts) >= count, WAIT_S), f"{len(self.posts)} of {count}"
            return list(self.posts)

    def _take(self, handler: BaseHTTPRequestHandler) -> None:
        packed = handler.rfile.read(int(handler.headers.get("Content-Length", "0")))
        is_packed = handler.headers.get("Content-Encoding") == "gzip"
        parts = urlsplit(handler.path)
        post = Post(
            parts.path,
            parse_qs(parts.query),
            {name.lower(): value for name, value in handler.headers.items()},
            gzip.decompress(packed) if is_packed else packed,
            len(packed),
        )
        with self._changed:
            self.posts.append(post)
            answer = self.answers.pop(0) if self.answers else self.judge(post)
            self._changed.notify_all()
        if answer.does == "hang":
            self._closing.wait(WAIT_S)
        if answer.does in ("hang", "close"):
            handler.close_connection = True
            return
        handler.send_response(answer.status)
        for name, value in answer.headers.items():
            handler.send_header(name, value)
        length = len(answer.body) + (1000 if answer.does == "cut" else 0)
        handler.send_header("Content-Length", str(length))
        handler.end_headers()
        handler.wfile.write(answer.body)
        handler.close_connection = handler.close_connection or answer.does == "cut"
