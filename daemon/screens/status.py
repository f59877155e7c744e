"""The command `status`: one look at the site, from the service, or its last words from the record."""

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from daemon.errors import HalfmarkError
from daemon.folders import Folders
from daemon.screens.looks import Look, take_look
from daemon.screens.status_screen import ASCII_BLOCKS, UNICODE_BLOCKS, Blocks, Row, status_screen

FORMS = ("full", "plain", "line", "json")
ANSWER_S = 5.0  # how long the service may take

_COLOURS = {"good": "\x1b[32m", "warn": "\x1b[33m", "bad": "\x1b[31m"}
_NORMAL = "\x1b[0m"


def run_status(
    folders: Folders,
    *,
    form: str = "full",
    store: Path | None = None,
    exit_code: bool = False,
    out: TextIO | None = None,
    err: TextIO | None = None,
    limit_s: float = ANSWER_S,
) -> int:
    """Show the site once.

    Args:
        folders: where the socket (`runtime`) and the record (`state`) are.
        form: "full", "plain" (ASCII, no colour), "line" (one short message) or "json" (the picture as given).
        store: a record, or the folder of one, to read instead of asking the service.
        exit_code: tell by the exit code whether an alert stands.
        out: where the screen goes; None is the standard output.
        err: where errors go; None is the standard error.
        limit_s: how long the service may take to answer, s.
    Returns: 0 shown, and with `exit_code` no alert stands; 1 one stands, with `exit_code` only; 3 neither the
        service nor a record can be read, or with `exit_code` the service can't: what stands now is not known.
    """
    out, err = out or sys.stdout, err or sys.stderr
    try:
        look = take_look(folders, store, limit_s=limit_s)
    except HalfmarkError as why:
        err.write(f"halfmark: {_printable(str(why), err)}\n")
        return 3
    out.write(_FORMS[form](look, out))
    out.flush()
    if not exit_code:
        return 0
    if not look.told.live and store is None:
        return 3
    return 1 if look.picture["alerts"] else 0


def _full(look: Look, out: TextIO) -> str:
    blocks = UNICODE_BLOCKS if _can_show(out, UNICODE_BLOCKS) else ASCII_BLOCKS
    rows = status_screen(look.picture, look.told, blocks=blocks)
    lines = [_coloured(row) for row in rows] if _wants_colour(out) else [row.text for row in rows]
    return "".join(_printable(line, out) + "\n" for line in lines)


def _plain(look: Look, _: TextIO) -> str:
    return "".join(row.text + "\n" for row in status_screen(look.picture, look.told))


def _line(look: Look, out: TextIO) -> str:
    from daemon.screens.status_line import status_line

    return _printable(status_line(look.picture, look.told), out) + "\n"


def _json(look: Look, _: TextIO) -> str:
    """The picture as given, every key of it, and who told it; in ASCII, so that no byte in it reaches a terminal."""
    import json

    told = look.told
    utc = None if told.utc is None else told.utc.isoformat(timespec="seconds")
    told_by: dict[str, object] = {"service": told.live, "why": told.why or None, "detail": told.detail or None}
    told_by |= {"utc": utc, "age_s": told.age_s}
    return json.dumps({**look.raw, "told_by": told_by}, indent=2, ensure_ascii=True) + "\n"


_FORMS: dict[str, Callable[[Look, TextIO], str]] = {"full": _full, "plain": _plain, "line": _line, "json": _json}


def _can_show(out: TextIO, blocks: Blocks) -> bool:
    try:
        (blocks.full + blocks.band + blocks.empty + blocks.mark).encode(out.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _printable(text: str, out: TextIO) -> str:
    """What the terminal's encoding has no sign for becomes a question mark, never an error."""
    encoding = out.encoding or "ascii"
    return text.encode(encoding, "replace").decode(encoding)


def _wants_colour(out: TextIO) -> bool:
    return out.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM", "dumb") != "dumb"


def _coloured(row: Row) -> str:
    colour = _COLOURS.get(row.tone)
    return row.text if colour is None else f"{colour}{row.text}{_NORMAL}"
