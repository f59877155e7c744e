"""Progress: a bar that ends complete on a terminal, at most four lines elsewhere."""

import io
import os
import pty
from collections.abc import Iterator
from contextlib import suppress

from daemon.progress import Progress


def test_elsewhere_a_few_plain_lines() -> None:
    out = io.StringIO()
    with Progress("past", 1000, out) as progress:
        for done in range(0, 1001, 7):
            progress.at(done)
        progress.at(1000)
    assert out.getvalue().splitlines()[-1] == "past: 100 %"
    assert len(out.getvalue().splitlines()) == 4


def until_closed(terminal: int) -> Iterator[bytes]:
    """All that was written; the kernel hands it over in pieces, and tells of the end by an error."""
    with suppress(OSError):
        while piece := os.read(terminal, 65536):
            yield piece


def test_on_a_terminal_a_bar_that_ends_complete() -> None:
    ours, theirs = pty.openpty()
    with open(theirs, "w") as out, Progress("past", 50, out) as progress:  # noqa: PTH123 (a descriptor has no path)
        for done in range(51):
            progress.at(done)
    shown = b"".join(until_closed(ours)).decode()
    os.close(ours)
    assert "past" in shown and "100%" in shown
