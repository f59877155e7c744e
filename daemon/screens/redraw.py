"""Turns the lines of a screen into bytes, and sends only what has changed since the last time.

A slow link bears a few bytes a second of changing figures, not a whole screen. Every character is
checked once more here: nothing but the signs of a text and our own sequences reaches a terminal.
"""

from collections.abc import Sequence
from itertools import zip_longest

from daemon.screens.lettering import SUBSTITUTE, columns
from daemon.screens.spans import Line
from daemon.screens.view import OWN_SIGNS

JUMP = 7  # bytes it takes about to move the cursor; a shorter stretch is written over instead
_COLOURS = {"head": "1", "good": "32", "warn": "33", "bad": "31;1", "charge": "36", "dim": "2"}
_NORMAL = "\x1b[m"
_REST = "\x1b[K"  # clears what is right of the cursor
CLEAR = "\x1b[m\x1b[H\x1b[2J"

Cell = tuple[str, str]  # a character and its colour; the second half of a wide one is empty
BLANK: Cell = (" ", "")


class Redraw:
    """Remembers what the terminal shows."""

    def __init__(self, *, colour: bool, encoding: str = "utf-8") -> None:
        self._colour = colour
        self._encoding = encoding
        self._shown: list[list[Cell]] | None = None

    def forget(self) -> None:
        """Take it that the terminal shows anything: the next frame is drawn whole."""
        self._shown = None

    def frame(self, lines: Sequence[Line], room: int, rows: int) -> bytes:
        """Give the bytes that make the terminal show these lines.

        Args:
            lines: from the top; what does not fit is left out.
            room: columns of the terminal.
            rows: lines of the terminal.
        """
        wanted = [_cells(row, room, self._colour) for row in lines[:rows]]
        wanted += [[] for _ in range(rows - len(wanted))]
        parts = []
        if self._shown is None or len(self._shown) != rows:
            parts.append(CLEAR)
            self._shown = [[] for _ in range(rows)]
        for number, (new, old) in enumerate(zip(wanted, self._shown, strict=True), start=1):
            if new != old:
                parts.append(_change(number, new, old))
        self._shown = wanted
        return "".join(parts).encode(self._encoding, "replace")


def _cells(row: Line, room: int, colour: bool) -> list[Cell]:
    """One line as cells, cut at the edge and without blanks at its end."""
    cells: list[Cell] = []
    for span in row:
        code = _COLOURS.get(span.tone, "") if colour else ""
        for character in span.text:
            sign = character if character.isprintable() else SUBSTITUTE
            wide = columns(sign)
            if len(cells) + wide > room:
                break
            cells += [(sign, "" if sign == " " else code), *[("", code)] * (wide - 1)]
    while cells and cells[-1] == BLANK:
        cells.pop()
    return cells


def _change(number: int, new: list[Cell], old: list[Cell]) -> str:
    """Give what turns one line into another."""
    if not all(_is_sure(cell) for cell in new) or not all(_is_sure(cell) for cell in old):
        return f"\x1b[{number}H{_written(new)}{_REST}"
    pieces = [f"\x1b[{number};{start + 1}H{_written(new[start:end])}" for start, end in _stretches(new, old)]
    if len(new) < len(old):
        pieces.append(f"\x1b[{number};{len(new) + 1}H{_REST}")
    return "".join(pieces)


def _is_sure(cell: Cell) -> bool:
    """Whether every terminal gives this character exactly one column."""
    return cell[0] in OWN_SIGNS or (cell[0] != "" and cell[0].isascii())


def _stretches(new: list[Cell], old: list[Cell]) -> list[tuple[int, int]]:
    """Where the new line differs, neighbours joined when that is shorter."""
    found: list[tuple[int, int]] = []
    for place, (a, b) in enumerate(zip_longest(new, old[: len(new)])):
        if a == b:
            continue
        if found and place - found[-1][1] < JUMP:
            found[-1] = (found[-1][0], place + 1)
        else:
            found.append((place, place + 1))
    return found


def _written(cells: Sequence[Cell]) -> str:
    parts, now = [], ""
    for character, code in cells:
        if code != now:
            parts.append((_NORMAL if now else "") + (f"\x1b[{code}m" if code else ""))
            now = code
        parts.append(character)
    return "".join(parts) + (_NORMAL if now else "")
