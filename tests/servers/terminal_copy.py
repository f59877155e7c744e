"""A small terminal for tests: understands what our screens send, and fails on every byte beyond that."""

import codecs
import re
import unicodedata

_SEQUENCE = re.compile(r"\x1b\[(\??)([0-9;]*)([A-Za-z])")
_PART = re.compile(r"\x1b(\[\??[0-9;]*)?")


class StrangeBytes(AssertionError):
    """Something came that no screen of ours may send."""


class TerminalCopy:
    """Shows bytes as cells.

    Attributes:
        other_screen, cursor_shown, wraps: the modes that must be given back.
        times_taken: how often the other screen was asked for.
        scrolled: whether anything was written past the last line.
        past_edge: whether anything was written past the last column.
        tones: the colours used so far.
    """

    def __init__(self, columns: int = 80, rows: int = 24) -> None:
        self.columns, self.rows = columns, rows
        self.other_screen, self.cursor_shown, self.wraps = False, True, True
        self.times_taken = 0
        self.scrolled = self.past_edge = False
        self.tones: set[str] = set()
        self.received = 0
        self.bears_cuts = False  # whether bytes on their way may have been thrown away
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._waiting = ""
        self._after_screen = ""
        self._clear()

    def _clear(self) -> None:
        self.cells = [[" "] * self.columns for _ in range(self.rows)]
        self.row = self.column = 0

    def resize(self, columns: int, rows: int) -> None:
        """Take another size; what was shown is gone."""
        self.columns, self.rows = columns, rows
        self._clear()

    @property
    def lines(self) -> list[str]:
        return ["".join(row).rstrip() for row in self.cells]

    @property
    def text(self) -> str:
        return "\n".join(self.lines)

    @property
    def plain_output(self) -> str:
        """What came outside of the other screen."""
        return self._after_screen

    def feed(self, data: bytes) -> None:
        self.received += len(data)
        text = self._waiting + self._decoder.decode(data)
        self._waiting = ""
        place = 0
        while place < len(text):
            if text[place] == "\x1b":
                found = _SEQUENCE.match(text, place)
                if found is None:
                    cut = _PART.match(text, place)
                    if self.bears_cuts and cut is not None and text[cut.end() : cut.end() + 1] == "\x1b":
                        place = cut.end()
                        continue
                    if _PART.fullmatch(text[place:]):
                        self._waiting = text[place:]
                        return
                    raise StrangeBytes(repr(text[place : place + 20]))
                self._obey(*found.groups())
                place = found.end()
                continue
            self._put(text[place])
            place += 1

    def _obey(self, private: str, numbers: str, letter: str) -> None:
        values = [int(number) if number else 0 for number in numbers.split(";")]
        match private, letter, values:
            case "?", ("h" | "l"), [1049]:
                self.other_screen = letter == "h"
                self.times_taken += self.other_screen
                self._clear()
            case "?", ("h" | "l"), [25]:
                self.cursor_shown = letter == "h"
            case "?", ("h" | "l"), [7]:
                self.wraps = letter == "h"
            case "", "H", _:
                self.row = max(values[0], 1) - 1
                self.column = (values[1] if len(values) > 1 else 1) - 1
                if not (self.row < self.rows and self.column < self.columns):
                    self.past_edge = True
            case "", "K", [0]:
                if self.row < self.rows:
                    self.cells[self.row][self.column :] = [" "] * (self.columns - self.column)
            case "", "J", [2]:
                self.cells = [[" "] * self.columns for _ in range(self.rows)]
            case "", "m", _:
                self.tones.add(numbers)
            case _:
                raise StrangeBytes(f"CSI {private}{numbers}{letter}")

    def _put(self, character: str) -> None:
        if not self.other_screen:
            self._after_screen += character
            return
        if not character.isprintable() or (character == "\ufffd" and not self.bears_cuts):
            raise StrangeBytes(repr(character))
        wide = 2 if unicodedata.east_asian_width(character) in ("W", "F") else 1
        if self.row >= self.rows:
            self.scrolled = True
            return
        if self.column + wide > self.columns:
            self.past_edge = True
            return
        self.cells[self.row][self.column] = character
        if wide == 2:
            self.cells[self.row][self.column + 1] = ""
        self.column += wide
