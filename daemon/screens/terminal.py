"""What the other end can show: columns, colour, more than ASCII."""

import os
import shutil
from dataclasses import dataclass
from typing import TextIO

from daemon.screens.lettering import cut, to_ascii

WIDTH_LEAST, WIDTH_MOST, WIDTH_ELSEWHERE = 20, 160, 80
_PROBE = "\u28ff\u2502\u2514\u2500"  # what a plot is drawn with


@dataclass(frozen=True, slots=True)
class Terminal:
    """Where a screen is shown; colours are names of `Terminal.paint`."""

    width: int = WIDTH_ELSEWHERE
    unicode: bool = False
    colour: bool = False

    @classmethod
    def of(cls, out: TextIO, *, plain: bool = False, width: int | None = None) -> "Terminal":
        """Find out about a stream; `plain` leaves colour and all but ASCII out."""
        is_screen = out.isatty()
        columns = width or (shutil.get_terminal_size().columns if is_screen else WIDTH_ELSEWHERE)
        dumb = os.environ.get("TERM", "dumb") == "dumb"
        return cls(
            min(WIDTH_MOST, max(WIDTH_LEAST, columns)),
            not plain and _encodes(out, _PROBE),
            is_screen and not plain and not dumb and not os.environ.get("NO_COLOR"),
        )

    def fit(self, text: str) -> str:
        """Cut a line to its width; words from outside must have gone through `lettering.clean` before."""
        line = cut(text, self.width)
        return line if self.unicode else to_ascii(line)

    def spell(self, text: str) -> str:
        """Set a cleaned text in what it can show, before it is broken into lines: some signs take two columns then."""
        return text if self.unicode else to_ascii(text)

    def paint(self, text: str, tone: str) -> str:
        """Colour a text; colour never says more than the text does."""
        code = {"good": "32", "warn": "33", "bad": "31", "strong": "1", "dim": "2"}.get(tone)
        return f"\x1b[{code}m{text}\x1b[0m" if self.colour and code is not None else text


def _encodes(out: TextIO, text: str) -> bool:
    try:
        text.encode(out.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
