"""What the sender and a way out have to know of each other: the letter, and what became of it."""

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Protocol

from shared.notices import plain

LINE_MOST = 400  # characters of a line handed to a machine
LINES_MOST = 100
_NOBODY: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Letter:
    """A notice on its way: what the queue of the record holds of it.

    Attributes:
        key: the notice's own, stable name.
        alert, state, severity: of the notice.
        utc_s: when it happened, s since 1970 UTC; None without a trusted clock.
        site: the site's name, plain.
        subject: one plain line.
        text: lines parted by LF.
        short: one line of at most 160 characters.
    """

    key: str
    alert: str
    state: str
    severity: str
    utc_s: float | None
    site: str
    subject: str
    text: str
    short: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one try to hand a letter over.

    Attributes:
        taken: who has it now; the other side has taken it on.
        refused: who will never get it, and why; trying again would change nothing.
        later: who did not get it this time, and why; this letter is to be tried again.
        broken: why the way itself does not work now (no connection, wrong password); None when it does.
            Whoever is in none of the others is to be tried again.
        wait_s: how long the other side asks to be left alone, s; None when it does not say.
    """

    taken: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=lambda: _NOBODY)
    later: Mapping[str, str] = field(default_factory=lambda: _NOBODY)
    broken: str | None = None
    wait_s: float | None = None


def letter_fields(letter: Letter) -> dict[str, str | None]:
    """Give a letter as plain texts, for machines: no control byte in them but the line ends of the text.

    Returns: key, site, alert, state, severity, utc (ISO 8601, None without a trusted clock), subject, text, short.
    """
    return {
        "key": plain(letter.key, LINE_MOST),
        "site": plain(letter.site, LINE_MOST),
        "alert": plain(letter.alert, LINE_MOST),
        "state": plain(letter.state, LINE_MOST),
        "severity": plain(letter.severity, LINE_MOST),
        "utc": _utc_text(letter.utc_s),
        "subject": plain(letter.subject, LINE_MOST),
        "text": "\n".join(_tame(line) for line in letter.text.split("\n")[:LINES_MOST]),
        "short": plain(letter.short, LINE_MOST),
    }


def _utc_text(utc_s: float | None) -> str | None:
    try:
        return None if utc_s is None else datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")
    except (ValueError, OverflowError, OSError):  # a time no calendar holds
        return None


def _tame(line: str) -> str:
    """One line of a text, its blanks kept, because they set its columns."""
    return "".join(" " if unicodedata.category(c)[0] == "C" or c in "\u2028\u2029" else c for c in line[:LINE_MOST])


class Way(Protocol):
    """A way off the hill. `send` may take long; it runs on a thread of its own."""

    @property
    def name(self) -> str:
        """The name in [way-out.NAME]."""

    @property
    def least(self) -> str:
        """The mildest severity it carries."""

    @property
    def recipients(self) -> tuple[str, ...]:
        """Who is at the other end; never empty."""

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        """Hand the letter over to those of the recipients in `to`; tells failure in its outcome."""

    def abort(self) -> None:
        """Make a `send` that hangs on another thread end soon."""
