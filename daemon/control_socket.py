"""The control socket: where the running service answers the commands of this machine.

A Unix stream socket that the service's user and group may use. Whoever connects gets no further
than `answer`: a client that hangs, babbles, sends without end or leaves half way costs one of a few
places for a limited time, and nothing else. The client is `daemon.control_client`.
"""

import asyncio
import contextlib
import grp
import logging
import os
import socket
import stat
from collections.abc import Awaitable, Callable
from pathlib import Path

from daemon.control_messages import REPLY_MAX, REQUEST_MAX, VERSION, decode, encode, refusal
from daemon.errors import HalfmarkError, ServiceError

Answer = Callable[[dict[str, object]], Awaitable[dict[str, object]]]

CLIENTS_MAX = 16  # at a time; one more is told so and let go
CLIENT_S = 10.0  # for sending a request, for taking an answer, and between two of them
ANSWER_S = 10.0  # for the service to find the answer
PAUSE_S = 0.05  # between two answers to one client, so that no client can keep the service busy
BACKLOG = 32
MODE = 0o660
PATH_MAX = 100  # the kernel takes 107 bytes; the name used while the socket is made is longer by four
COMPLAIN_EVERY_S = 60.0  # the log gets no more than one line about our own failures in this time

log = logging.getLogger(__name__)


class ControlServer:
    """Answers requests on a Unix socket for as long as it is open.

    `answer` takes the request, checked to be an object of our version with a text under "ask", and
    gives the answer's fields; "v" and "ok" are added. A HalfmarkError it raises is told to the client.
    """

    def __init__(
        self,
        path: Path,
        answer: Answer,
        *,
        group: str | None = None,
        clients_max: int = CLIENTS_MAX,
        client_s: float = CLIENT_S,
        answer_s: float = ANSWER_S,
    ) -> None:
        """Take the settings; nothing is opened before `start`.

        Args:
            path: where the socket is to be, at most PATH_MAX bytes.
            answer: finds the answer to one request.
            group: who may ask besides the service's user; None leaves the group the process has.
            clients_max: how many may be connected at a time.
            client_s: how long a client may take for each step, s.
            answer_s: how long `answer` may take, s.
        """
        self._path = path
        self._answer = answer
        self._group = group
        self._clients_max = clients_max
        self._client_s = client_s
        self._answer_s = answer_s
        self._server: asyncio.Server | None = None
        self._inode: int | None = None
        self._clients: set[asyncio.Task[None]] = set()
        self._complained_s: float | None = None

    @property
    def clients(self) -> int:
        """How many clients are connected and served now."""
        return len(self._clients)

    async def start(self) -> None:
        """Open the socket, in place of one that a dead service left.

        Raises: ServiceError: another service answers there, or the socket can't be made.
        """
        _refuse_if_taken(self._path)
        try:
            listener = _listen(self._path, self._group)
        except OSError as error:
            why = error.strerror or str(error)
            raise ServiceError(f"control socket {self._path} can't be made: {why}; is its folder there?") from error
        self._inode = self._path.stat().st_ino
        self._server = await asyncio.start_unix_server(self._serve, sock=listener, limit=REQUEST_MAX, backlog=BACKLOG)

    async def close(self) -> None:
        """Stop answering, let go of every client, and take the socket away unless a successor has made its own."""
        if self._server is None:
            return
        self._server.close()
        for client in self._clients:
            client.cancel()
        await asyncio.gather(*self._clients, return_exceptions=True)
        with contextlib.suppress(OSError):
            if self._path.stat().st_ino == self._inode:
                self._path.unlink()
        self._server = None

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        full = len(self._clients) >= self._clients_max
        try:
            writer.transport.set_write_buffer_limits(0)  # so that draining means handed to the kernel
            if full:
                writer.write(encode(refusal(f"the service has {self._clients_max} clients already; ask again")))
                return
            self._clients.add(task)
            await self._talk(reader, writer)
        except (OSError, TimeoutError, asyncio.CancelledError):
            return  # the client left or took too long, or we close: nobody is left to be told
        finally:
            self._clients.discard(task)
            writer.transport.abort()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            too_long = False
            try:
                async with asyncio.timeout(self._client_s):
                    line = await reader.readline()
            except ValueError:
                too_long, line = True, b""
            if not too_long and not line.endswith(b"\n"):
                return  # it left, perhaps in the middle of a word
            reply = encode(refusal(f"over {REQUEST_MAX} bytes in a line")) if too_long else await self._reply(line)
            async with asyncio.timeout(self._client_s):
                writer.write(reply)
                await writer.drain()
            if too_long:
                return
            await asyncio.sleep(PAUSE_S)

    async def _reply(self, line: bytes) -> bytes:
        """Find the answer to one line; whatever goes wrong becomes an answer as well."""
        try:
            request = decode(line)
        except ValueError as error:
            return encode(refusal(f"can't be read: {error}"))
        if request.get("v") != VERSION or isinstance(request.get("v"), bool):
            return encode(refusal(f"this service speaks version {VERSION} only"))
        if not isinstance(request.get("ask"), str):
            return encode(refusal('nothing is asked: "ask" must be a text'))
        try:
            async with asyncio.timeout(self._answer_s):
                answer = await self._answer(request)
            reply = encode({**answer, "v": VERSION, "ok": answer.get("ok", True)})
        except HalfmarkError as error:
            return encode(refusal(str(error)))
        except TimeoutError:
            return encode(refusal(f"the service found no answer within {self._answer_s:g} s"))
        except Exception:
            self._complain(request)
            return encode(refusal("the service failed to answer this; its log says why"))
        return reply if len(reply) <= REPLY_MAX else encode(refusal(f"the answer is over {REPLY_MAX} bytes"))

    def _complain(self, request: dict[str, object]) -> None:
        now_s = asyncio.get_running_loop().time()
        if self._complained_s is None or now_s - self._complained_s >= COMPLAIN_EVERY_S:
            self._complained_s = now_s
            log.exception("control socket: no answer to %.40r", request.get("ask"))


def _refuse_if_taken(path: Path) -> None:
    """Make sure that what lies at the path, if anything, is a socket nobody listens on."""
    try:
        mode = path.lstat().st_mode
    except OSError:
        return  # nothing there, or no folder: making the socket tells which
    if not stat.S_ISSOCK(mode):
        raise ServiceError(f"control socket {path}: something that is no socket lies there; move it away")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.setblocking(False)
        try:
            probe.connect(str(path))
        except BlockingIOError:
            pass  # its queue is full, so it lives
        except OSError:
            return
    raise ServiceError(f"control socket {path}: another service answers there; stop that one first")


def _listen(path: Path, group: str | None) -> socket.socket:
    """Make the listening socket beside its place, with its permissions, and only then move it there."""
    if len(os.fsencode(path)) > PATH_MAX:
        raise ServiceError(f"control socket {path}: the path is over {PATH_MAX} bytes; use a shorter runtime folder")
    made = path.with_name(path.name + ".new")
    made.unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        listener.setblocking(False)
        listener.bind(str(made))
        if group is not None:
            os.chown(made, -1, _group_id(group))
        made.chmod(MODE)
        listener.listen(BACKLOG)
        made.rename(path)
    except BaseException:
        listener.close()
        made.unlink(missing_ok=True)
        raise
    return listener


def _group_id(group: str) -> int:
    try:
        return grp.getgrnam(group).gr_gid
    except KeyError:
        raise ServiceError(f"control socket: no group `{group}` here; make it: groupadd --system {group}") from None
