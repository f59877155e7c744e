"""Writes a letter to the system's journal: a line on stderr, which the service manager collects."""

import os
import sys
from collections.abc import Mapping, Sequence
from typing import TextIO

from daemon.sending.ways import Letter, Outcome
from shared.notices import plain

PRIORITIES: Mapping[str, int] = {"urgent": 2, "act": 4, "advice": 5}  # critical, warning, notice: RFC 5424
OVER_PRIORITY = 5
LINE_MOST = 400


class JournalWay:
    """A way out of kind journal; what a site without any other has."""

    def __init__(
        self, name: str = "journal", least: str = "advice", *, out: TextIO | None = None, prefix: bool | None = None
    ) -> None:
        """Open nothing.

        Args:
            name, least: as in [way-out.NAME].
            out: where the lines go; None for stderr.
            prefix: put the priority in front as <N>; None does so when the journal listens.
        """
        self.name = name
        self.least = least
        self.recipients: tuple[str, ...] = ("journal",)
        self._out = out
        self._prefix = "JOURNAL_STREAM" in os.environ if prefix is None else prefix

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        """Write the subject and the short form, a line each."""
        priority = OVER_PRIORITY if letter.state == "cleared" else PRIORITIES.get(letter.severity, OVER_PRIORITY)
        mark = f"<{priority}>" if self._prefix else ""
        lines = f"{mark}notice {plain(letter.subject, LINE_MOST)}\n{mark}notice {plain(letter.short, LINE_MOST)}\n"
        out = sys.stderr if self._out is None else self._out
        try:
            out.write(lines)
            out.flush()
        except (OSError, ValueError) as why:
            return Outcome(broken=plain(f"can't write to the journal: {why}", LINE_MOST))
        return Outcome(taken=tuple(to))

    def abort(self) -> None:
        """Nothing to cut short: a write to a pipe either goes or the reader is gone."""
