"""The reserve as columns that stand on the half mark: above it what there is to spare, below it what is missing.

One sign more likely than the next: full where the charge surely reaches, a dark shade where it likely
does, a light one where it may. Past and future are drawn alike; a line marks the present.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil

from daemon.screens.lettering import pad
from daemon.screens.spans import Line, Span

AXIS = 8  # columns of the labels at the left
THIN_ROWS = 2.0  # a band thinner than this is not shaded: the finer steps tell more


@dataclass(frozen=True, slots=True)
class Band:
    """Charge at one time: surely at least, likely, and at most; fractions of 1."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True, slots=True)
class CurveSigns:
    """What the columns are drawn with.

    Attributes:
        sure, likely, possible: a whole cell, by how sure it is that the charge reaches it.
        steps: a cell filled from below by rising parts, the empty one first, the full one last.
        hanging: the same from above, for what is missing to the half mark.
        half, no_value: the half mark where there is a value, and where there is none.
        now: the line at the present.
    """

    sure: str
    likely: str
    possible: str
    steps: str
    hanging: str
    half: str
    no_value: str
    now: str


ASCII_SIGNS = CurveSigns("#", "+", ".", " _=#", " '#", "=", "-", "|")
UNICODE_SIGNS = CurveSigns("█", "▒", "░", " ▁▂▃▄▅▆▇█", " ▀█", "━", "╌", "│")


@dataclass(frozen=True, slots=True)
class Scale:
    """How many rows stand above and hang below the half mark, and what a row is worth."""

    above: int
    below: int
    row: float
    half: float


def scale_for(bands: Sequence[Band | None], half_mark: float, rows: int) -> Scale:
    """Share rows out between above and below the half mark, so that the lowest value is still to be seen."""
    lowest = min((band.low for band in bands if band is not None), default=half_mark)
    depth, height = max(0.0, half_mark - max(0.0, lowest)), max(0.01, 1.0 - half_mark)
    if depth <= 0.0 or rows < 2:
        return Scale(rows, 0, height / max(rows, 1), half_mark)
    below = min(rows - 1, max(1, ceil(rows * depth / (depth + height) - 0.5)))
    return Scale(rows - below, below, max(height / (rows - below), depth / below), half_mark)


def draw_curve(
    bands: Sequence[Band | None], *, half_mark: float, rows: int, signs: CurveSigns, now_at: int | None = None
) -> list[Line]:
    """Draw one column for each band.

    Args:
        bands: shape (n,), oldest first; None where nothing is known.
        half_mark: the half mark, a fraction of 1.
        rows: of the columns, above and below together; the half mark itself takes one more.
        signs: what to draw with.
        now_at: before which column the present is marked; None when the last one is the present.
    Returns: rows + 1 lines of AXIS columns more than there are bands, one more with a mark of the present.
    """
    scale = scale_for(bands, half_mark, rows)
    lines = [
        _row(_label(scale, place), [_standing(band, scale, place, signs) for band in bands], "charge", signs, now_at)
        for place in range(scale.above - 1, -1, -1)
    ]
    cells = [signs.no_value if band is None else signs.half for band in bands]
    lines.append(_row(f"{100.0 * half_mark:.0f} half", cells, "dim", signs, now_at))
    for place in range(scale.below):
        cells = [_hanging(band, scale, place, signs) for band in bands]
        lines.append(_row(_deep_label(scale, place), cells, "bad", signs, now_at))
    return lines


def _label(scale: Scale, place: int) -> str:
    return "100 %" if place == scale.above - 1 else ""


def _deep_label(scale: Scale, place: int) -> str:
    return f"{100.0 * max(0.0, scale.half - scale.row * scale.below):.0f} %" if place == scale.below - 1 else ""


def _row(label: str, cells: Sequence[str], tone: str, signs: CurveSigns, now_at: int | None) -> Line:
    head = Span(pad(f"{label:>{AXIS - 1}}", AXIS - 1) + " ", "dim")
    if now_at is None:
        return (head, Span("".join(cells), tone))
    past, ahead = "".join(cells[:now_at]), "".join(cells[now_at:])
    return (head, Span(past, tone), Span(signs.now, "dim"), Span(ahead, tone))


def _standing(band: Band | None, scale: Scale, place: int, signs: CurveSigns) -> str:
    if band is None:
        return " "
    foot = scale.half + place * scale.row
    low, likely, high = ((value - foot) / scale.row for value in (band.low, band.likely, band.high))
    if low >= 1.0:
        return signs.sure
    if high <= 0.0:
        return " "
    if high - low < THIN_ROWS:
        return signs.steps[_step(likely, len(signs.steps))]
    return _by_middle(low, likely, high, signs)


def _hanging(band: Band | None, scale: Scale, place: int, signs: CurveSigns) -> str:
    if band is None:
        return " "
    top = scale.half - place * scale.row
    sure, likely, possible = ((top - value) / scale.row for value in (band.high, band.likely, band.low))
    if sure >= 1.0:
        return signs.sure
    if possible <= 0.0:
        return " "
    if possible - sure < THIN_ROWS:
        return signs.hanging[_step(likely, len(signs.hanging))]
    return _by_middle(sure, likely, possible, signs)


def _by_middle(sure: float, likely: float, possible: float, signs: CurveSigns) -> str:
    """The sign of how sure it is that the column reaches the middle of the cell."""
    for reach, sign in ((sure, signs.sure), (likely, signs.likely), (possible, signs.possible)):
        if reach > 0.5:
            return sign
    return " "


def _step(share: float, steps: int) -> int:
    """Which of the rising signs; anything over nothing shows, and only what is full shows full."""
    if share <= 0.0:
        return 0
    return min(steps - 1, max(1, round(share * (steps - 1))))


def time_axis(width: int, past_h: float, ahead_h: float, *, has_mark: bool) -> Line:
    """Name times under the columns, as many as fit.

    Args:
        width: how many columns of values there are.
        past_h: hours before the present at the first one.
        ahead_h: hours after the present at the last one.
        has_mark: whether a line marks the present between two columns.
    """
    cells = [" "] * (AXIS + width + (1 if has_mark else 0))
    now_at = round(width * past_h / (past_h + ahead_h))
    _place(cells, AXIS + now_at - (0 if has_mark else 1), "now")
    for hours in _marks(past_h, ahead_h):
        shift = 1 if has_mark and hours > 0.0 else 0
        _place(cells, AXIS + shift + round(width * (past_h + hours) / (past_h + ahead_h)), f"{hours:+.0f} h")
    return (Span("".join(cells).rstrip(), "dim"),)


def _marks(past_h: float, ahead_h: float) -> list[float]:
    fine = [-24.0, 72.0, -12.0, 24.0, 48.0, -6.0, -18.0]
    return [hours for hours in fine if -past_h <= hours <= ahead_h]


def _place(cells: list[str], at: int, word: str) -> None:
    """Write a word around a column where nothing stands yet, with a blank on both sides."""
    start = min(max(AXIS, at - len(word) // 2), len(cells) - len(word))
    if start < AXIS or any(cell != " " for cell in cells[max(0, start - 1) : start + len(word) + 1]):
        return
    cells[start : start + len(word)] = word


def resample(values: Sequence[tuple[float, Band]], edges: Sequence[float]) -> list[Band | None]:
    """Gather bands into columns: the mean of the likely ones, the widest of the rest.

    Args:
        values: (time, band), times rising.
        edges: shape (columns + 1,), rising.
    """
    columns: list[Band | None] = []
    place = 0
    for start, end in pairwise(edges):
        while place < len(values) and values[place][0] < start:
            place += 1
        first = place
        while place < len(values) and values[place][0] < end:
            place += 1
        columns.append(_gathered([band for _, band in values[first:place]]))
    return columns


def interpolated(values: Sequence[tuple[float, Band]], edges: Sequence[float]) -> list[Band | None]:
    """Read bands off at the middle of each column, on straight lines between the values; none outside them."""
    columns: list[Band | None] = []
    for start, end in pairwise(edges):
        at = (start + end) / 2.0
        found = next(((a, b) for a, b in pairwise(values) if a[0] <= at <= b[0]), None)
        columns.append(None if found is None else _between(*found, at))
    return columns


def _between(before: tuple[float, Band], after: tuple[float, Band], at: float) -> Band:
    share = 0.0 if after[0] <= before[0] else (at - before[0]) / (after[0] - before[0])
    a, b = before[1], after[1]
    pairs = ((a.low, b.low), (a.likely, b.likely), (a.high, b.high))
    return Band(*(x + (y - x) * share for x, y in pairs))


def _gathered(bands: Sequence[Band]) -> Band | None:
    if not bands:
        return None
    likely = sum(band.likely for band in bands) / len(bands)
    return Band(min(band.low for band in bands), likely, max(band.high for band in bands))
