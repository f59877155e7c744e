"""Lines of a screen as spans of text with a tone, set to a width before anything is drawn.

The tone is "", "head", "good", "warn", "bad", "charge" or "dim"; colour is put on by whoever draws and never says
more than the text does.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daemon.screens.lettering import columns, cut, pad, to_ascii, wrap

DOTS = ".."  # stand for what is cut
GAP = 3  # columns between two pieces of a row
NARROW = 60  # columns under which labels and gaps are smaller


@dataclass(frozen=True, slots=True)
class Span:
    """A text in one tone."""

    text: str
    tone: str = ""


Line = tuple[Span, ...]


def line(*parts: str | Span) -> Line:
    """Make a line of texts and spans."""
    return tuple(Span(part) if isinstance(part, str) else part for part in parts)


def text_of(row: Line) -> str:
    """Give a line's text alone."""
    return "".join(span.text for span in row)


def width_of(row: Line) -> int:
    """Count the columns of a line."""
    return sum(columns(span.text) for span in row)


def fit(row: Line, room: int) -> Line:
    """Cut a line to so many columns; two dots show that something is missing."""
    if width_of(row) <= room:
        return row
    dots = DOTS if room > len(DOTS) else ""
    kept: list[Span] = []
    left = room - len(dots)
    for span in row:
        text = cut(span.text, left, end="")
        kept.append(Span(text, span.tone))
        left -= columns(text)
        if text != span.text:
            break
    return (*kept, Span(dots, kept[-1].tone)) if dots else tuple(kept)


def filled(row: Line, room: int) -> Line:
    """Cut or fill a line to exactly so many columns."""
    short = fit(row, room)
    missing = room - width_of(short)
    return (*short, Span(" " * missing)) if missing else short


def in_ascii(row: Line) -> Line:
    """Set a line in ASCII."""
    return tuple(Span(to_ascii(span.text), span.tone) for span in row)


def label_width(room: int) -> int:
    """How many columns the labels in front of rows take on a screen of this width."""
    return 10 if room >= NARROW else 8 if room >= 30 else 0


def section(label: str, pieces: Iterable[str | Span], room: int, *, most: int | None = None) -> list[Line]:
    """Set pieces behind a label, as many in a row as there is room for; a piece that is too long is wrapped.

    Args:
        label: in front of the first row.
        pieces: what is to be told; empty ones are left out.
        room: columns of the screen or of its half.
        most: rows at most; what is left over is cut from the last one.
    """
    wide = label_width(room)
    inner = room - wide
    rows: list[list[Span]] = []
    for piece in pieces:
        span = Span(piece) if isinstance(piece, str) else piece
        if not span.text:
            continue
        joined = rows and sum(columns(s.text) for s in rows[-1]) + GAP + columns(span.text) <= inner
        if rows and (joined or len(rows) == most):
            rows[-1] += [Span(" " * GAP), span]
        else:
            rows += [[Span(part, span.tone)] for part in wrap(span.text, inner)]
    if most is not None and len(rows) > most:
        rows = [*rows[: most - 1], [*rows[most - 1], Span(" " + DOTS, rows[most - 1][-1].tone)]]
    return [_labelled(label if number == 0 else "", row, wide, inner) for number, row in enumerate(rows)]


def _labelled(label: str, row: Sequence[Span], wide: int, inner: int) -> Line:
    kept = fit(tuple(row), inner)
    return (Span(pad(label, wide), "head"), *kept) if wide else kept


def side_by_side(left: Sequence[Line], right: Sequence[Line], room: int, gap: int = 3) -> list[Line]:
    """Set two columns beside each other, the left one half of the room wide."""
    half = (room - gap) // 2
    height = max(len(left), len(right))
    rows = []
    for number in range(height):
        first = left[number] if number < len(left) else ()
        second = right[number] if number < len(right) else ()
        rows.append((*filled(first, half), Span(" " * gap), *fit(second, room - half - gap)))
    return rows
