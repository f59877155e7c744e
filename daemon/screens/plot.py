"""Curves in a terminal: a line of dots over time, an optional band around it, axes with round numbers.

With Unicode eight dots stand in one character (braille patterns, U+2800), else one ASCII sign. A gap in
the values is a gap in the curve. Pure: rows of text come out, the caller puts them on the screen.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

BRAILLE = 0x2800
# Bits of the dots of one character, by column and row: Unicode chapter "Braille Patterns", dots 1237 and 4568.
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
FIELD_LEAST = 8  # columns of the curve itself
Values = Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Curve:
    """What is drawn: one value a sample, `samples(...)` of them, and perhaps the band they lie in."""

    middle: Values
    low: Values | None = None
    high: Values | None = None


@dataclass(frozen=True, slots=True)
class Scale:
    """The vertical axis: from `least` to `most`, a mark each `step`."""

    least: float
    most: float
    step: float

    @property
    def digits(self) -> int:
        """Digits after the point that its marks need."""
        return max(0, -math.floor(math.log10(self.step) + 1e-9))


def samples(width: int, *, unicode: bool) -> int:
    """How many samples a curve of so many columns has room for."""
    return 2 * width if unicode else width


def round_scale(least: float, most: float, marks: int, step_least: float = 1e-9) -> Scale:
    """Choose an axis with round marks that holds both values.

    Args:
        least, most: what must fit on it.
        marks: spaces between marks at the most, 2 or more: an axis through zero needs two.
        step_least: finer marks say nothing.
    """
    rough = max((most - least) / max(2, marks), step_least, 1e-9 * max(abs(least), abs(most)))
    power = 10.0 ** math.floor(math.log10(rough) + 1e-9)
    for factor in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0):
        step = factor * power
        low, high = math.floor(least / step + 1e-9), math.ceil(most / step - 1e-9)
        high = max(high, low + 1)
        if step >= rough * (1.0 - 1e-9) and high - low <= max(2, marks):
            break
    return Scale(low * step, high * step, step)


def field(curve: Curve, scale: Scale, *, height: int, unicode: bool) -> list[str]:
    """Draw the curve alone: `height` rows, as wide as its samples need."""
    dots = _Dots(len(curve.middle), height * (4 if unicode else 1), scale)
    if curve.low is not None and curve.high is not None:
        dots.band(curve.low, curve.high)
    dots.line(curve.middle)
    return dots.braille() if unicode else dots.ascii()


class _Dots:
    """A field of dots, row 0 on top: 0 nothing, 1 band, 2 line."""

    def __init__(self, columns: int, rows: int, scale: Scale) -> None:
        self._rows, self._scale = rows, scale
        self._field = [bytearray(columns) for _ in range(rows)]

    def _row(self, value: float) -> int:
        share = (value - self._scale.least) / (self._scale.most - self._scale.least)
        return min(self._rows - 1, max(0, round((1.0 - share) * (self._rows - 1))))

    def band(self, low: Values, high: Values) -> None:
        for column, (bottom, top) in enumerate(zip(low, high, strict=True)):
            if bottom is not None and top is not None:
                for row in range(self._row(top), self._row(bottom) + 1):
                    self._field[row][column] = 1

    def line(self, middle: Values) -> None:
        """A dot a sample; two neighbours are joined by the dots between their heights."""
        before: int | None = None
        for column, value in enumerate(middle):
            row = None if value is None else self._row(value)
            if row is not None:
                start = row if before is None or before == row else before + (1 if row > before else -1)
                for between in range(min(start, row), max(start, row) + 1):
                    self._field[between][column] = 2
            before = row

    def braille(self) -> list[str]:
        """The band is drawn with every second dot, so that the line stands out without colour."""
        lines = []
        for top in range(0, self._rows, 4):
            cells = []
            for left in range(0, len(self._field[0]), 2):
                bits = 0
                for x in range(left, min(left + 2, len(self._field[0]))):
                    for y in range(top, top + 4):
                        kind = self._field[y][x]
                        if kind == 2 or (kind == 1 and (x + y) % 2 == 0):
                            bits |= _DOTS[x - left][y - top]
                cells.append(chr(BRAILLE + bits) if bits else " ")
            lines.append("".join(cells))
        return lines

    def ascii(self) -> list[str]:
        return ["".join(" .*"[kind] for kind in row) for row in self._field]


@dataclass(frozen=True, slots=True)
class Label:
    """A word under the curve at a column of it."""

    column: int
    text: str


def framed(
    curve: Curve, scale: Scale, labels: Sequence[Label], *, width: int, height: int, unicode: bool, margin: int
) -> list[str]:
    """Draw curve, numbers on its left and words below.

    Args:
        curve: with `samples(width - margin - 1)` samples.
        scale: the vertical axis.
        labels: words below, from the left; one that would run into the one before is left out.
        width: columns of the whole, margin and axis within them.
        height: rows of the curve.
        unicode: whether the terminal shows more than ASCII.
        margin: columns for the numbers, `number_width`.
    """
    bar = "\u2502" if unicode else "|"
    numbers = _numbers(scale, height)
    rows = [
        f"{numbers.get(row, ''):>{margin}}{bar}{line}".rstrip()
        for row, line in enumerate(field(curve, scale, height=height, unicode=unicode))
    ]
    room = width - margin - 1
    rows.append(" " * margin + ("\u2514" + "\u2500" * room if unicode else "+" + "-" * room))
    below = _below(labels, room)
    return [*rows, " " * (margin + 1) + below] if below else rows


def number_width(scale: Scale) -> int:
    """Columns that the widest number of an axis takes."""
    return max(len(f"{value:.{scale.digits}f}") for value in (scale.least, scale.most))


def _numbers(scale: Scale, height: int) -> dict[int, str]:
    marks = round((scale.most - scale.least) / scale.step)
    rows = {round((height - 1) * (1.0 - mark / marks)): mark for mark in range(marks + 1)}
    return {row: f"{scale.least + mark * scale.step:.{scale.digits}f}" for row, mark in rows.items()}


def _below(labels: Sequence[Label], room: int) -> str:
    line = ""
    for label in labels:
        if len(line) + (1 if line else 0) <= label.column and label.column + len(label.text) <= room:
            line += " " * (label.column - len(line)) + label.text
    return line
