"""The words spoken over the control socket: one JSON object a line, each with the version "v".

A request is {"v": 1, "ask": "status", ...}; the answer {"v": 1, "ok": true, ...} or
{"v": 1, "ok": false, "why": "..."}. "status" answers with "picture", see `daemon.picture`.
A service always answers with its own version, so either side can tell that the other is older.
"""

import json
import math
from collections.abc import Mapping

VERSION = 1
SOCKET_NAME = "halfmark.sock"  # in the runtime folder
REQUEST_MAX = 64 * 1024  # bytes of one request, with its line end
REPLY_MAX = 1024 * 1024  # bytes of one answer, with its line end


def encode(message: Mapping[str, object]) -> bytes:
    """Write one message as a line of strict JSON; a number that is not finite becomes null, which means not known."""
    try:
        text = json.dumps(message, separators=(",", ":"), allow_nan=False)
    except ValueError:
        text = json.dumps(_finite(message), separators=(",", ":"), allow_nan=False)
    return text.encode("ascii") + b"\n"


def decode(line: bytes) -> dict[str, object]:
    """Read one line.

    Raises: ValueError: the line is no JSON object in UTF-8.
    """
    try:
        message = json.loads(line.decode("utf-8"))
    except RecursionError:
        raise ValueError("a JSON object nested too deep") from None
    if not isinstance(message, dict):
        raise ValueError("not a JSON object")
    return message


def refusal(why: str) -> dict[str, object]:
    """Make the answer that says no, and why."""
    return {"v": VERSION, "ok": False, "why": why}


def _finite(value: object) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value
