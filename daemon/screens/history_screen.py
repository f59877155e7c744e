"""The screen of `history`: for each quantity a curve with its band, then a table. Gaps stay gaps."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daemon.gathered import Bucket, Gathered
from daemon.screens.lettering import clean, span, wrap
from daemon.screens.plot import FIELD_LEAST, Curve, Label, framed, number_width, round_scale, samples
from daemon.screens.terminal import Terminal
from daemon.timeline import Timeline
from shared.quantities import QUANTITIES

HEIGHT = 9
LABEL_ROOM = 4  # columns left free between two words below a curve
MARKS = 4


@dataclass(frozen=True, slots=True)
class Look:
    """One quantity of one instrument over time; `table_s` is how long a row of its table is."""

    instrument: str
    quantity: str
    gathered: Gathered
    table_s: float


def history_screen(looks: Sequence[Look], timeline: Timeline, terminal: Terminal) -> list[str]:
    """Draw every quantity, one below the other, on one and the same time axis."""
    spans = [span_x for look in looks if (span_x := look.gathered.span()) is not None]
    first_x, last_x = min(first for first, _ in spans), max(last for _, last in spans)
    lines: list[str] = []
    for look in looks:
        factor, unit, digits = _shown_in(look.quantity)
        lines += [""] if lines else []
        lines.append(terminal.paint(terminal.fit(_title(look, unit)), "strong"))
        lines += _curve(look, timeline, terminal, first_x, last_x, factor)
        lines += _table(look, timeline, terminal, factor, digits)
    foot = f"from {timeline.words(first_x)} to {timeline.words(last_x)}, times {_zone(timeline)}"
    return [*lines, *(terminal.fit(line) for line in wrap(foot, terminal.width))]


def _zone(timeline: Timeline) -> str:
    return f"of {timeline.zone}" if timeline.dated else "by boots no trusted clock has placed"


def _shown_in(quantity: str) -> tuple[float, str, int]:
    """Factor, unit and digits on a screen: shares are shown in percent, or points."""
    known = QUANTITIES.get(quantity)
    if quantity in ("soc_frac", "soc_sigma"):
        return 100.0, "%" if quantity == "soc_frac" else "points", 1
    if known is None:
        return 1.0, "", 3
    return 1.0, known.unit, 0 if known.step >= 1.0 else 1 if known.step >= 0.1 else 2


def _title(look: Look, unit: str) -> str:
    known = QUANTITIES.get(look.quantity)
    label = f", {known.label}" if known is not None else ""
    return clean(f"{look.quantity} of {look.instrument}{label}{f', {unit}' if unit else ''}")


# -- the curve ---------------------------------------------------------------------------------


def _curve(
    look: Look, timeline: Timeline, terminal: Terminal, first_x: float, last_x: float, factor: float
) -> list[str]:
    everything = look.gathered.buckets.values()
    least, most = min(b.least for b in everything) * factor, max(b.most for b in everything) * factor
    known = QUANTITIES.get(look.quantity)
    scale = round_scale(least, most, MARKS, factor * (known.step if known is not None else 1e-6))
    margin = number_width(scale)
    room = terminal.width - margin - 1
    if room < FIELD_LEAST:
        return []
    count = samples(room, unicode=terminal.unicode)
    size_s = max(look.gathered.size_s, (last_x - first_x) / max(1, count - 1), 1e-3)
    columns = _by_column(look.gathered, first_x, size_s, count)
    curve = Curve(
        [None if b is None else b.mean * factor for b in columns],
        [None if b is None else b.least * factor for b in columns],
        [None if b is None else b.most * factor for b in columns],
    )
    labels = _labels(timeline, first_x, size_s * count / room, room)
    return framed(curve, scale, labels, width=terminal.width, height=HEIGHT, unicode=terminal.unicode, margin=margin)


def _by_column(gathered: Gathered, first_x: float, size_s: float, count: int) -> list[Bucket | None]:
    found = gathered.by(size_s, -first_x)
    return [found.get(number) for number in range(count)]


def _labels(timeline: Timeline, first_x: float, column_s: float, room: int) -> list[Label]:
    """Words below the curve, each telling the time of the column it begins at."""
    form = "%d %b %H:%M" if column_s * room < 40 * 86_400.0 else "%d %b %Y"
    labels, column = [], 0
    while column < room:
        text = timeline.words(first_x + column * column_s, form)
        labels.append(Label(column, text))
        column += len(text) + LABEL_ROOM
        column += (-column) % 10
    return labels


# -- the table ---------------------------------------------------------------------------------


def _table(look: Look, timeline: Timeline, terminal: Terminal, factor: float, digits: int) -> Iterator[str]:
    shift_s = timeline.local_shift_s(next(reversed(look.gathered.buckets.values())).first_x)
    rows = sorted(look.gathered.by(look.table_s, shift_s).items())
    figures = [
        [f"{value * factor:.{digits}f}" for value in (bucket.least, bucket.mean, bucket.most)] for _, bucket in rows
    ]
    heads = ("least", "mean", "most")
    widths = [max(len(heads[i]), *(len(row[i]) for row in figures)) for i in range(3)]
    places = [max(number * look.table_s - shift_s, _section_x(timeline, bucket)) for number, bucket in rows]
    times = [timeline.words(x) for x in places]
    if max(map(len, times)) + sum(widths) + 6 > terminal.width:
        times = [timeline.words(x, "%d %H:%M") for x in places]
    first = max(len(time) for time in (*times, f"each {span(look.table_s)}"))
    counts = first + sum(widths) + 6 + 10 <= terminal.width
    head = f"{f'each {span(look.table_s)}':<{first}}" + "".join(
        f"  {h:>{w}}" for h, w in zip(heads, widths, strict=True)
    )
    yield terminal.paint(terminal.fit(head + ("  readings" if counts else "")), "dim")
    before: int | None = None
    for time, (number, bucket), row in zip(times, rows, figures, strict=True):
        if before is not None and number > before + 1:
            yield terminal.fit(f"{'-':<{first}}  nothing for {span((number - before - 1) * look.table_s)}")
        before = number
        cells = "".join(f"  {cell:>{w}}" for cell, w in zip(row, widths, strict=True))
        yield terminal.fit(f"{time:<{first}}{cells}" + (f"  {bucket.count:>8}" if counts else ""))


def _section_x(timeline: Timeline, bucket: Bucket) -> float:
    """Where the stretch of a bucket begins; 0 for a dated one, so that its own round time is shown."""
    section = timeline.section_at(bucket.first_x)
    return section.begin_x if section is not None and section.boot is not None else 0.0
