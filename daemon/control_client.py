"""Asking the running service over its control socket, from a command: one question, one answer.

No asyncio in here: a command must be up and done in a fraction of a second.
"""

import socket
import time
from collections.abc import Mapping
from pathlib import Path

from daemon.control_messages import REPLY_MAX, REQUEST_MAX, VERSION, decode, encode
from daemon.errors import ServiceError

GROUP = "halfmark"  # who may read the record and ask the service
RECEIVE_SIZE = 64 * 1024


def ask(path: Path, message: Mapping[str, object], limit_s: float = 5.0) -> dict[str, object]:
    """Put one question to the service.

    Args:
        path: the socket, `halfmark.sock` in the runtime folder.
        message: the question, such as {"ask": "status"}; the version is added.
        limit_s: how long connecting, asking and hearing the whole answer may take together, s.
    Returns: the answer as it came. "ok" may be false, with "why": that is an answer, not an error.
    Raises: ServiceError: no answer to be had. The words up to the first colon say in one clause what
        is the matter with the service, the rest says where and what to do.
    """
    request = encode({"v": VERSION, **message})
    if len(request) > REQUEST_MAX:
        raise ServiceError(f"service can't be asked this: {len(request)} bytes, at most {REQUEST_MAX} are taken")
    until_s = time.monotonic() + limit_s
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(limit_s)
            line.connect(str(path))
            _send(line, request)
            answer = _hear(line, until_s, path)
    except TimeoutError:
        raise ServiceError(f"service does not answer: nothing within {limit_s:g} s at {path}, see its log") from None
    except OSError as error:
        raise ServiceError(_explain(error, path)) from error
    return _checked(answer, path)


def _send(line: socket.socket, request: bytes) -> None:
    try:
        line.sendall(request)
    except (BrokenPipeError, ConnectionResetError):
        return  # a service that is too busy says so and hangs up: its words can still be read


def _hear(line: socket.socket, until_s: float, path: Path) -> bytes:
    answer = bytearray()
    while not answer.endswith(b"\n"):
        left_s = until_s - time.monotonic()
        if left_s <= 0.0:
            raise TimeoutError
        line.settimeout(left_s)
        piece = line.recv(RECEIVE_SIZE)
        if not piece:
            raise ServiceError(f"service broke off: it left in the middle of its answer at {path}, ask again")
        answer += piece
        if len(answer) > REPLY_MAX:
            raise ServiceError(f"service says too much: over {REPLY_MAX} bytes at {path}, is it halfmark?")
    return bytes(answer)


def _checked(line: bytes, path: Path) -> dict[str, object]:
    try:
        answer = decode(line)
    except ValueError as error:
        raise ServiceError(f"service can't be understood: {error} at {path}, is it halfmark?") from error
    version = answer.get("v")
    if not isinstance(version, int) or isinstance(version, bool):
        raise ServiceError(f"service can't be understood: its answer has no version at {path}, is it halfmark?")
    if version < VERSION:
        raise ServiceError(
            f"service is too old: it speaks version {version}, this command {VERSION}; "
            "restart it so that the installed one runs: systemctl restart halfmark"
        )
    if version > VERSION:
        raise ServiceError(
            f"service is newer than this command: it speaks version {version}, this command is too old "
            f"with {VERSION}; use the command installed with the service"
        )
    return answer


def _explain(error: OSError, path: Path) -> str:
    if isinstance(error, (FileNotFoundError, ConnectionRefusedError, NotADirectoryError)):
        return f"service is not running: nothing listens at {path}; start it: systemctl start halfmark"
    if isinstance(error, PermissionError):
        return (
            f"service may not be asked: no permission for {path}; join group `{GROUP}` "
            f"(as root: usermod -aG {GROUP} NAME) and log in again"
        )
    if isinstance(error, BlockingIOError):
        return f"service is too busy: no room for one more at {path}, ask again"
    if isinstance(error, ConnectionResetError):
        return f"service broke off: it hung up without an answer at {path}, ask again"
    return f"service can't be reached: {error.strerror or error} at {path}"
