"""The first page of `watch`: is it all right, and how long will it last; at any size of terminal."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daemon.picture import AlertPicture, Picture
from daemon.screens.curve import AXIS, Band, draw_curve, interpolated, resample, time_axis
from daemon.screens.lettering import clean, cut, span, wrap
from daemon.screens.outlook import lasts
from daemon.screens.spans import NARROW, Line, Span, fit, label_width, line, section, side_by_side, width_of
from daemon.screens.verdict import by_severity, is_silent, verdict
from daemon.screens.view import (
    Signs,
    View,
    aged,
    alert_words,
    clock_words,
    heat_words,
    instrument_words,
    quiet,
    record_words,
    sending_words,
)

SMALL_ROWS, SMALL_COLUMNS = 12, 34  # under either of these only the weightiest is shown
WIDE_COLUMNS = 110
CURVE_LEAST, CURVE_MOST = 5, 16  # rows of the curve with the half mark and the times
BELOW_LEAST = 5  # with fewer rows left under it than this the curve gives way
PAST_H, AHEAD_H = 24.0, 72.0


@dataclass(frozen=True, slots=True)
class Block:
    """A part of the page in several lengths, the longest first; a lower rank gives way earlier."""

    rank: int
    forms: tuple[list[Line], ...]


def overview(view: View, columns: int, rows: int, signs: Signs) -> list[Line]:
    """Draw the page.

    Args:
        view: what is known; its look must be there.
        columns, rows: room for it.
        signs: what the terminal can show.
    Returns: at most `rows` lines, none wider than `columns`.
    """
    if columns < SMALL_COLUMNS or rows < SMALL_ROWS:
        page = _small(view, columns, rows, signs)
    else:
        page = _full(view, columns, rows, signs)
    return [fit(row, columns) for row in page[:rows]]


# -- the head ----------------------------------------------------------------------------------


def _picture(view: View) -> Picture:
    assert view.look is not None
    return view.look.picture


def first_line(view: View, columns: int) -> Line:
    """The verdict, and at the right when it was made."""
    assert view.look is not None
    picture, found = view.look.picture, verdict(view.look.picture, view.look.told)
    site = cut(clean(picture["site"]) or "(site without a name)", max(8, columns // 3))
    left = line(Span(f"{found.mark} {site}: {found.words}", found.tone))
    clock = f"{clean(picture['utc'])[11:16]} UTC" if picture["utc"] and view.look.told.live else ""
    room = columns - len(clock) - 2
    if not clock or width_of(left) > room:
        return fit(left, columns)
    return (*left, Span(" " * (columns - width_of(left) - len(clock))), Span(clock, "dim"))


def _when(view: View, columns: int) -> list[Line]:
    """With the service silent: from when the words are, and what is the matter."""
    assert view.look is not None
    told = quiet(view.look.told)
    note = clean(_picture(view)["service"]["note"])
    found = [line(Span(cut(f"     {note}", columns), "warn"))] if note else []
    if told.live:
        return found
    words = [f"last words from {told.when()}; as it was then", clean(told.detail)]
    return [line(Span(f"     {part}", "bad")) for text in words for part in list(wrap(text, columns - 5))[:2]] + found


def _reserve_pieces(picture: Picture, columns: int) -> list[Span]:
    soc, sigma, points, left_ah = (picture[k] for k in ("soc_frac", "soc_sigma", "reserve_points", "reserve_ah"))
    half = f"half mark ({100.0 * picture['half_mark']:.0f} %)" if columns >= NARROW else "half mark"
    if soc is None or points is None:
        return [Span("not known yet", "warn"), Span(half)]
    side = f"over the {half}" if points >= 0.0 else f"BELOW THE {half.upper()}"
    ampere_hours = "" if left_ah is None else f", {abs(left_ah):.1f} Ah"
    error = "" if sigma is None else f" ±{100.0 * sigma:.1f}"
    return [
        Span(f"{abs(points):.1f} points{ampere_hours} {side}", "head" if points >= 0.0 else "bad"),
        Span(f"charge {100.0 * soc:.1f}{error} %"),
    ]


def reserve_bar(picture: Picture, room: int, signs: Signs) -> Line:
    """Charge from empty to full in so many columns, with its error band and the half mark."""
    blocks, soc, sigma = signs.blocks, picture["soc_frac"], picture["soc_sigma"] or 0.0
    cells = [blocks.empty] * room
    if soc is not None:
        low, high = (min(room - 1, max(0, int(share * room))) for share in (soc - sigma, soc + sigma))
        cells = [blocks.full] * low + [blocks.band] * (high - low + 1) + [blocks.empty] * (room - high - 1)
    mark = min(room - 1, int(picture["half_mark"] * room))
    before, after = "".join(cells[:mark]), "".join(cells[mark + 1 :])
    tone = "bad" if (picture["reserve_points"] or 0.0) < 0.0 else "charge"
    return (Span(before, tone), Span(blocks.mark, "head"), Span(after, tone))


def _bar(picture: Picture, columns: int, signs: Signs) -> Line:
    wide = label_width(columns)
    label = f"half at {signs.blocks.mark}" if wide >= 10 else f"half {signs.blocks.mark}"
    bar = reserve_bar(picture, columns - wide - 6, signs)
    return (Span(f"{label:<{wide}}", "dim"), Span("0 "), *bar, Span(" 100"))


def _lasts(view: View) -> list[str]:
    draw_a = view.day.harvest.draw_a
    if view.ahead is None and draw_a is None and not view.day.complete:
        return ["reading the last day of the record"]
    return lasts(_picture(view), view.ahead, draw_a)


# -- the full page -----------------------------------------------------------------------------


def _full(view: View, columns: int, rows: int, signs: Signs) -> list[Line]:
    picture = _picture(view)
    head = [first_line(view, columns), *_when(view, columns)]
    head += section("Reserve", _reserve_pieces(picture, columns), columns)
    head += [_bar(picture, columns, signs), *section("Lasts", _lasts(view), columns, most=2)]
    room = rows - len(head)
    if columns >= WIDE_COLUMNS:
        half = (columns - 3) // 2
        left = fit_blocks(_measured(view, half, listed=True), room - CURVE_LEAST)
        right = fit_blocks(
            [*_told_first(view, half, long=True), *_told_last(view, half, listed=True)], room - CURVE_LEAST
        )
        below = side_by_side(left, right, columns)
    else:
        blocks = [*_told_first(view, columns), *_measured(view, columns), *_told_last(view, columns)]
        below = fit_blocks(blocks, room - CURVE_LEAST if room - CURVE_LEAST >= BELOW_LEAST else room)
    curve = _curve(view, columns, min(CURVE_MOST, room - len(below)), signs)
    return [*head, *curve, *below]


def fit_blocks(blocks: Sequence[Block], room: int) -> list[Line]:
    """Shorten the blocks of the lowest rank first until all fit; then leave out, the lowest rank first."""
    forms: list[tuple[int, int, Block]] = [(block.rank, 0, block) for block in blocks]

    def height() -> int:
        return sum(len(block.forms[form]) for _, form, block in forms)

    while height() > room:
        shorter = [(rank, place) for place, (rank, form, b) in enumerate(forms) if form + 1 < len(b.forms)]
        if shorter:
            _, place = min(shorter)
            rank, form, block = forms[place]
            forms[place] = (rank, form + 1, block)
        else:
            forms.pop(min(range(len(forms)), key=lambda place: forms[place][0]))
    return [row for _, form, block in forms for row in block.forms[form]]


def _block(
    rank: int, label: str, pieces: Iterable[str | Span], columns: int, *, least: int = 1, listed: bool = False
) -> Block:
    """Pieces each in a row of its own where there is room for that, side by side, and cut to the least."""
    known = [Span(piece) if isinstance(piece, str) else piece for piece in pieces]
    known = [piece for piece in known if piece.text]
    forms = [section(label, known, columns), section(label, known, columns, most=least)]
    if listed:
        rows = [section(label if n == 0 else "", [piece], columns) for n, piece in enumerate(known)]
        forms.insert(0, [row for part in rows for row in part])
    return Block(rank, tuple(forms))


def _measured(view: View, columns: int, *, listed: bool = False) -> list[Block]:
    picture, harvest = _picture(view), view.day.harvest
    blocks = [
        _block(60, "Bank", _bank(picture, harvest.net_ah), columns, listed=listed),
        _block(70, "Sun", _sun(picture, harvest.panel_wh, harvest.charge_ah), columns, listed=listed),
        _block(55, "Loads", _loads(view), columns, listed=listed),
    ]
    if view.airtime is not None:
        blocks.append(_block(45, "Airtime", _airtime(view), columns, listed=listed))
    blocks.append(_block(75, "Heat C", heat_words(picture), columns, listed=listed))
    housing = _housing(picture)
    return [*blocks, *([_block(20, "Housing", housing, columns, listed=listed)] if housing else [])]


def _told_first(view: View, columns: int, *, long: bool = False) -> list[Block]:
    alerts = by_severity(_picture(view)["alerts"])
    if not alerts:
        return [_block(80, "Alerts", [Span("none stands", "good")], columns)]
    return [Block(90, tuple(_alert_rows(alerts, columns, most, long=long) for most in (8, 5, 3, 2, 1)))]


def _alert_rows(alerts: Sequence[AlertPicture], columns: int, most: int, *, long: bool) -> list[Line]:
    rows: list[Line] = []
    shown = alerts if len(alerts) <= most else alerts[: max(1, most - 1)]
    for number, alert in enumerate(shown):
        rows += section("Alerts" if number == 0 else "", [alert_words(alert)], columns, most=1)
        if long and number == 0:
            rows += section("", [clean(alert["to_do"])], columns, most=2)
    if len(alerts) > len(shown) and most > 1:
        rows += section("", [Span(f"and {len(alerts) - len(shown)} more, on page 3", "bad")], columns)
    return rows


def _told_last(view: View, columns: int, *, listed: bool = False) -> list[Block]:
    picture = _picture(view)
    blocks = []
    down = [name for name, row in picture["lines"].items() if not row["up"]]
    pieces = [Span(f"line {cut(clean(name), 18)} DOWN", "bad") for name in down[:2]]
    named = sorted(picture["instruments"].items(), key=lambda item: (not is_silent(item[1]), item[0]))
    pieces += [instrument_words(name, row) for name, row in named[:6]]
    if len(named) > 6 or len(down) > 2:
        pieces.append(Span("more on page 2"))
    blocks.append(_block(65, "Answers", pieces or [Span("none", "dim")], columns, least=2, listed=listed))
    blocks.append(_block(50, "Sending", sending_words(picture), columns, listed=listed))
    service = f"service up {aged(picture['service']['up_s'])}"
    blocks.append(_block(62, "Clock", [clock_words(picture), record_words(picture), service], columns, listed=listed))
    return blocks


def _value(picture: Picture, name: str, form: str, words: str = "") -> str:
    row = picture["quantities"].get(name)
    if row is None:
        return ""
    old = f" ({aged(row['age_s'])} old)" if row["age_s"] > 30.0 else ""
    return f"{row['value']:{form}} {clean(row['unit'])}".rstrip() + words + old


def _bank(picture: Picture, net_ah: float | None) -> list[str]:
    bank_a = picture["quantities"].get("bank_a")
    doing = "" if bank_a is None else " charging" if bank_a["value"] > 0.0 else " draining"
    holds = f"holds {picture['capacity_ah']:.1f} ±{picture['capacity_sigma_ah']:.1f} Ah"
    current = picture["bank_current"]["from"]
    return [
        _value(picture, "bank_v", ".2f"),
        _value(picture, "bank_a", "+.2f", doing),
        holds if picture["capacity_ah"] > 0.0 else "",
        f"24 h {net_ah:+.1f} Ah" if net_ah is not None else "",
        {"controllers": "current worked out", "nothing": "current not known"}.get(current, ""),
    ]


def _sun(picture: Picture, panel_wh: float | None, charge_ah: float | None) -> list[str]:
    now = [_value(picture, "panel_w", ".0f"), _value(picture, "charge_a", ".2f")]
    today = [f"{panel_wh:.0f} Wh"] if panel_wh is not None else []
    today += [f"{charge_ah:.1f} Ah"] if charge_ah is not None else []
    words = ", ".join(piece for piece in now if piece)
    return [f"now {words}" if words else "not measured", f"today {', '.join(today)}" if today else ""]


def _loads(view: View) -> list[str]:
    picture, harvest = _picture(view), view.day.harvest
    now = _value(picture, "load_a", ".2f")
    computer = _value(picture, "computer_a", ".3f")
    pieces = [
        f"now {now}" if now else "",
        f"computer {computer}" if computer else "",
        f"drawn in all {harvest.draw_a * 24.0:.1f} Ah a day" if harvest.draw_a is not None else "",
    ]
    return pieces if any(pieces) else ["not measured"]


def _airtime(view: View) -> list[str]:
    airtime = view.airtime
    assert airtime is not None
    return [
        f"today {span(airtime.seconds)} in {airtime.keyings} keyings",
        "" if airtime.longest_s is None else f"longest {span(airtime.longest_s)}",
        "" if airtime.duty is None else f"duty {100.0 * airtime.duty:.1f} %",
    ]


def _housing(picture: Picture) -> list[str]:
    humidity = _value(picture, "enclosure_rh", ".0f")
    door = picture["quantities"].get("door")
    pieces = [f"humidity {humidity}" if humidity else ""]
    pieces.append("" if door is None else "door OPEN" if door["value"] >= 0.5 else "door shut")
    return [piece for piece in pieces if piece]


# -- the curve ---------------------------------------------------------------------------------


def _curve(view: View, columns: int, rows: int, signs: Signs) -> list[Line]:
    """The last day and, where the service looks ahead, the days to come; empty when there is no room."""
    if rows < CURVE_LEAST - 1:
        return []
    if view.past_why:
        return section("Past", [Span(f"the record can't be read: {clean(view.past_why)}", "bad")], columns, most=2)
    picture, ahead = _picture(view), view.ahead
    width = columns - AXIS - (1 if ahead else 0)
    ahead_h = AHEAD_H if ahead else 0.0
    split = round(width * PAST_H / (PAST_H + ahead_h))
    step_h = PAST_H / split
    past = resample(view.day.charge, [-PAST_H + step_h * n for n in range(split + 1)])
    bands = _bridged(past, PAST_H / split)
    if ahead is not None:
        age_h = max(0.0, picture["at_s"] - ahead.made_s) / 3600.0
        known = [(at_h - age_h, band) for at_h, band in ahead.bands]
        step_h = AHEAD_H / (width - split)
        bands += interpolated(known, [step_h * n for n in range(width - split + 1)])
    drawn = draw_curve(
        bands, half_mark=picture["half_mark"], rows=rows - 2, signs=signs.curve, now_at=split if ahead else None
    )
    return [*drawn, time_axis(width, PAST_H, ahead_h, has_mark=ahead is not None)]


def _bridged(bands: list[Band | None], step_h: float) -> list[Band | None]:
    """Where columns are narrower than the slots of the past, give each the value of its neighbour."""
    if step_h * 3600.0 >= 600.0:
        return bands
    reach = int(600.0 / (step_h * 3600.0)) + 1
    found = list(bands)
    for place, band in enumerate(bands):
        if band is None:
            near = [bands[p] for p in range(max(0, place - reach), place) if bands[p] is not None]
            after = any(b is not None for b in bands[place + 1 : place + 1 + reach])
            found[place] = near[-1] if near and after else None
    return found


# -- the smallest page -------------------------------------------------------------------------


def _small(view: View, columns: int, rows: int, signs: Signs) -> list[Line]:
    """The weightiest alone: the verdict with the worst alert, the reserve, how long it lasts."""
    assert view.look is not None
    picture, found = view.look.picture, verdict(view.look.picture, view.look.told)
    parts: list[tuple[int, list[Line]]] = []
    words = list(wrap(f"{found.mark} {found.words}", columns))
    parts.append((0, [line(Span(words[0].rstrip(",:") if words else "", found.tone))]))
    parts.append((4, [line(Span(cut(word, columns), found.tone)) for word in words[1:3]]))
    parts.append((1, [line(Span(_short_reserve(picture, columns), _reserve_tone(picture)))]))
    parts.append((2, [reserve_bar(picture, columns, signs)]))
    parts.append((3, [line(Span(cut(piece, columns))) for piece in wrap(_lasts(view)[0], columns)][:2]))
    told = quiet(view.look.told)
    if not told.live:
        parts.append((3, [line(Span(cut(f"from {told.when()}", columns), "bad"))]))
    alerts = by_severity(picture["alerts"])
    parts.append((5, [line(Span(cut(alert_words(a).text, columns), "bad")) for a in alerts]))
    parts.append((6, [line(Span(cut(clean(picture["site"]), columns), "dim"))]))
    return _by_weight(parts, rows)


def _by_weight(parts: list[tuple[int, list[Line]]], rows: int) -> list[Line]:
    """Keep as many rows as there is room for, the weightiest first, in the order they are read."""
    numbered = [(weight, place, n, row) for place, (weight, part) in enumerate(parts) for n, row in enumerate(part)]
    kept = sorted(numbered, key=lambda item: item[:3])[:rows]
    return [row for _, _, _, row in sorted(kept, key=lambda item: item[1:3])]


def _reserve_tone(picture: Picture) -> str:
    return "bad" if (picture["reserve_points"] or 0.0) < 0.0 else "head"


def _short_reserve(picture: Picture, columns: int) -> str:
    soc, sigma, points = (picture[k] for k in ("soc_frac", "soc_sigma", "reserve_points"))
    if soc is None or points is None:
        return cut("charge not known", columns)
    error = "" if sigma is None else f" ±{100.0 * sigma:.0f}"
    long = f"{100.0 * soc:.0f}{error} %, {points:+.0f} to half"
    return cut(long if len(long) <= columns else f"{100.0 * soc:.0f}{error} %", columns)
