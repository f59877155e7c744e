"""The other pages of `watch`: instruments, alerts, the days past, help, and the choice of an alert to take on."""

from collections.abc import Sequence

from daemon.picture import AlertPicture, InstrumentPicture
from daemon.screens.lettering import clean, cut, pad, span, wrap
from daemon.screens.past import DayRange
from daemon.screens.spans import Line, Span, line, section
from daemon.screens.status_screen import CAUTION
from daemon.screens.verdict import by_severity, is_silent
from daemon.screens.view import Signs, View, aged, alert_words, error_share, percent, record_words, sending_words

DAY_NAME = 11


def instruments_page(view: View, columns: int) -> list[Line]:
    """Every line and every instrument with all that is counted of it."""
    assert view.look is not None
    picture = view.look.picture
    rows = [line(Span("Lines", "head"))]
    for name, row in sorted(picture["lines"].items(), key=lambda item: (item[1]["up"], item[0])):
        port = clean(row["port"])
        if row["up"]:
            rows += _wrapped(f"{clean(name)} up, {port}", "", columns)
            continue
        since = "" if row["down_s"] is None else f" for {aged(row['down_s'])}"
        rows += _wrapped(
            f"{clean(name)} DOWN{since}: {clean(row['why'] or 'no reason known')} ({port})", "bad", columns
        )
    rows.append(line(Span("Instruments", "head")))
    for name, unit in sorted(picture["instruments"].items(), key=lambda item: (not is_silent(item[1]), item[0])):
        rows += _wrapped(_instrument(name, unit), "bad" if is_silent(unit) else "", columns)
    rows.append(line(Span("Sending and record", "head")))
    for piece in (*sending_words(picture), record_words(picture)):
        rows += _wrapped(piece.text, piece.tone, columns)
    if picture["absent"]:
        rows.append(line(Span("No value of", "head")))
        for gap in picture["absent"]:
            rows += _wrapped(f"{clean(gap['quantity'])}: {clean(gap['why'])}", "", columns)
    return rows


def _instrument(name: str, row: InstrumentPicture) -> str:
    age = "NO ANSWER YET" if row["age_s"] is None else f"{aged(row['age_s'])} old"
    if is_silent(row) and row["age_s"] is not None:
        age = f"NO ANSWER for {aged(row['age_s'])}"
    counts = [f"{row[key]} {key}" for key in ("refused", "silent", "garbled", "late", "suspect") if row[key]]
    share = f"{percent(error_share(row))} of {row['asked']} lost"
    error = clean(row["last_error"] or "")
    when = "" if row["last_error_age_s"] is None else f", {aged(row['last_error_age_s'])} ago"
    every = f"on {clean(row['line'])} each {span(row['every_s'])}"
    pieces = [f"{clean(name)} {age}", every, share, *counts, f"last error{when}: {error}" if error else ""]
    return ", ".join(piece for piece in pieces if piece)


def alerts_page(view: View, columns: int) -> list[Line]:
    """Every standing alert with what it means and what to do."""
    assert view.look is not None
    alerts = by_severity(view.look.picture["alerts"])
    if not alerts:
        return [line(Span("No alert stands.", "good"))]
    rows: list[Line] = []
    for alert in alerts:
        rows += _alert(alert, columns)
    return [*rows, *_wrapped(CAUTION, "dim", columns)]


def _alert(alert: AlertPicture, columns: int) -> list[Line]:
    words = alert_words(alert)
    rows = _wrapped(words.text + _against_limit(alert), words.tone, columns)
    if alert["acked"] is not None:
        who, note = (clean(str(alert["acked"].get(key) or "")) for key in ("who", "note"))
        rows += _wrapped(
            "taken on" + (f" by {who}" if who else "") + (f": {note}" if note else ""), "", columns, indent=2
        )
    if alert["since_utc"]:
        rows += _wrapped(f"since {clean(alert['since_utc'])[:16].replace('T', ' ')} UTC", "dim", columns, indent=2)
    for text in (alert["meaning"], alert["to_do"]):
        rows += _wrapped(clean(text), "", columns, indent=2)
    return rows


def _against_limit(alert: AlertPicture) -> str:
    value, limit = alert["value"], alert["limit"]
    if value is None or limit is None:
        return ""
    match alert.get("unit", ""):
        case "share":
            return f": {100.0 * value:.0f} %, limit {100.0 * limit:.0f} %"
        case "s":
            return f": {aged(value)}, limit {span(limit)}"
        case unit:
            return f": {value:.3g} {clean(unit)}".rstrip() + f", limit {limit:.4g}"


def days_page(view: View, columns: int, signs: Signs) -> list[Line]:
    """Each day as the range its charge went through, from empty to full."""
    assert view.look is not None
    if view.past_why:
        return _wrapped(f"The record can't be read: {clean(view.past_why)}", "bad", columns)
    days, half_mark = view.days or (), view.look.picture["half_mark"]
    room = columns - DAY_NAME - 15
    rows = [line(Span(f"{'Day':<{DAY_NAME}}{'low':>4}{'high':>5} %", "head"))]
    if room >= 12:
        mark = f"half {signs.blocks.mark}"
        scale = f"0{mark:>{max(1, int(half_mark * room))}}"
        rows = [(*rows[0], Span(f"   {pad(scale, room - 3)}100", "dim"))]
    rows += [_day(day, room, half_mark, signs) for day in days]
    if not view.days_complete:
        rows.append(line(Span("reading the record ...", "dim")))
    elif not days:
        rows.append(line(Span("The record holds no estimate yet.", "dim")))
    else:
        whose = f" Days of {clean(view.days_of)}." if view.days_of else ""
        words = f"Where the charge has been, as seen each half hour; ! went below the half mark.{whose}"
        rows += _wrapped(words, "dim", columns)
    return rows


def _day(day: DayRange, room: int, half_mark: float, signs: Signs) -> Line:
    below = day.lowest < half_mark
    figures = f"{cut(day.name, DAY_NAME - 1):<{DAY_NAME}}{100.0 * day.lowest:4.0f}{100.0 * day.highest:5.0f}"
    head = Span(figures + (" ! " if below else "   "), "bad" if below else "")
    if room < 12:
        return (head,)
    cells = [signs.blocks.empty] * room
    low, high = (min(room - 1, max(0, int(share * room))) for share in (day.lowest, day.highest))
    cells[low : high + 1] = [signs.blocks.full] * (high - low + 1)
    mark = min(room - 1, int(half_mark * room))
    before, after = "".join(cells[:mark]), "".join(cells[mark + 1 :])
    return (head, Span("  "), Span(before, "bad"), Span(signs.blocks.mark, "head"), Span(after, "charge"))


HELP = (
    ("Tab n", "next page; Shift-Tab p the one before; 1 to 4 one of them"),
    ("up down", "move through a page that is longer than the screen"),
    ("a", "take on an alert: choose it, write a note; others see that you are at it"),
    ("Ctrl-L", "draw the screen anew"),
    ("?", "these words, and back"),
    ("q", "leave; the service goes on"),
)


def help_page(columns: int, signs: Signs) -> list[Line]:
    """What the keys do and how the curve is to be read."""
    rows = [line(Span("Keys", "head"))]
    for key, words in HELP:
        rows += section(key, [words], columns)
    curve = signs.curve
    rows.append(line(Span("The curve", "head")))
    rows += _wrapped(
        f"Columns stand on the half mark. {curve.sure} the charge surely reaches this high, {curve.likely} likely, "
        f"{curve.possible} possibly. What hangs below the mark is missing.",
        "",
        columns,
    )
    rows += _wrapped("lost: the share of questions an instrument did not answer well.", "", columns)
    rows += _wrapped("Heat: the temperature now and the limit at which it is warned of, in C.", "", columns)
    rows += _wrapped("today: since the last night, by the panel's own light.", "", columns)
    return [*rows, *_wrapped(CAUTION, "dim", columns)]


def choice_page(alerts: Sequence[AlertPicture], columns: int) -> list[Line]:
    """The alerts that can be taken on, each with the key that chooses it."""
    rows = [line(Span("Take on which alert?", "head"))]
    for number, alert in enumerate(alerts, start=1):
        words = alert_words(alert)
        rows.append(line(Span(f"{number} ", "head"), Span(cut(words.text, columns - 2), words.tone)))
    return rows


def _wrapped(text: str, tone: str, columns: int, indent: int = 0) -> list[Line]:
    first = " " * indent
    parts = list(wrap(text, max(8, columns - 2 - indent)))
    return [line(Span(first + ("" if n == 0 else "  ") + part, tone)) for n, part in enumerate(parts)]
