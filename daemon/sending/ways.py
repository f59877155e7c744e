"""What the sender and a way out have to know of each other: the letter, and what became of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Protocol

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
    """

    taken: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=lambda: _NOBODY)
    later: Mapping[str, str] = field(default_factory=lambda: _NOBODY)
    broken: str | None = None


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
