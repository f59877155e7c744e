"""The status screen: one look at the site in at most 80 columns and 23 lines, so that the prompt fits below.

Rows are text with a tone; colour is put on afterwards and never says more than the text does.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from daemon.picture import AlertPicture, InstrumentPicture, Picture, QuantityPicture
from daemon.screens.door_words import doors_told
from daemon.screens.lettering import clean, columns, cut, pad, span, to_ascii, wrap
from daemon.screens.outlook import lasts, read_lookahead
from daemon.screens.verdict import Told, alert_state, alert_title, by_severity, is_silent, verdict
from shared.quantities import QUANTITIES

COLUMNS = 80
LINES = 23
LABEL = 10  # columns of the label in front of a row
BAR = 61  # cells, an odd number: one half is in the middle of a cell
SITE_MAX = 32
NAME_MAX = 14
OLD_S = 30.0  # a value older than this is shown with its age
ERROR_FRESH_S = 600.0  # an instrument's last error is shown this long
CAUTION = "Go up in company only, never in storm, ice or dark."


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the screen; the tone is "", "good", "warn" or "bad"."""

    text: str
    tone: str = ""


@dataclass(frozen=True, slots=True)
class Blocks:
    """The four signs of the bar, full to empty, and the half mark."""

    full: str
    band: str
    empty: str
    mark: str


ASCII_BLOCKS = Blocks("#", "=", ".", "|")
UNICODE_BLOCKS = Blocks("\u2588", "\u2592", "\u00b7", "\u2503")


def status_screen(picture: Picture, told: Told, *, blocks: Blocks = ASCII_BLOCKS) -> list[Row]:
    """Draw the screen.

    Args:
        picture: the site, complete as `read_picture` gives it.
        told: who told the picture, and when.
        blocks: the signs the bar is drawn with; the ASCII ones make the whole screen ASCII.
    Returns: at most LINES rows of at most COLUMNS columns.
    """
    head = [_first(picture, told), *_time(picture, told), _reserve(picture), _bar(picture, blocks), *_lasts(picture)]
    measured = [_bank(picture), _sun(picture), _loads(picture), *_heat(picture), *_housing(picture), *_absent(picture)]
    foot = [_record(picture), *_sending(picture)]
    room = LINES - len(head) - len(measured) - len(foot)
    instruments = _instruments(picture)
    alerts = _alerts(picture["alerts"], max(room - len(instruments), room * 3 // 5))
    rows = [*head, *alerts, *measured, *_at_most(instruments, room - len(alerts)), *foot]
    assert len(rows) <= LINES
    return [_set(row, blocks) for row in rows]


def _lasts(picture: Picture) -> list[Row]:
    """How long the reserve lasts, by the lookahead; no row where there is none."""
    ahead = read_lookahead(picture)
    return [] if ahead is None else [Row(pad("Lasts", LABEL) + "   ".join(lasts(picture, ahead, None)))]


def _set(row: Row, blocks: Blocks) -> Row:
    text = to_ascii(row.text) if blocks is ASCII_BLOCKS else row.text
    return Row(cut(text.rstrip(), COLUMNS), row.tone)


# -- the head ----------------------------------------------------------------------------------


def _first(picture: Picture, told: Told) -> Row:
    found = verdict(picture, told)
    site = cut(clean(picture["site"]) or "(site without a name)", SITE_MAX)
    return Row(f"{found.mark} {site}: {found.words}", found.tone)


def _time(picture: Picture, told: Told) -> list[Row]:
    service, clock = picture["service"], picture["clock"]
    rows = []
    if not told.live:
        rows.append(Row(f"{'':<4} last words from {told.when()}; as it was then", "bad"))
        later_s = told.later_s or 0.0
        later = f"newest reading {span(later_s)} later; " if later_s > 1.0 else ""
        rows += [Row(f"{'':<4} {line}") for line in _wrapped(later + clean(told.detail), 2, COLUMNS - 5)]
    elif clock["trusted"] and picture["utc"] is not None:
        utc = clean(picture["utc"])[:19].replace("T", " ")
        rows.append(Row(f"{'':<4} {utc} UTC, trusted ({clean(clock['source'] or 'not told why')}); {_up(picture)}"))
    else:
        rows.append(Row(f"{'':<4} clock NOT TRUSTED, days undated; {_up(picture)}", "warn"))
    if service["note"]:
        rows.append(Row(f"{'':<4} {clean(service['note'])}", "warn"))
    return rows


def _up(picture: Picture) -> str:
    return f"service up {span(picture['service']['up_s'])}, v{clean(picture['service']['version'])}"


def _reserve(picture: Picture) -> Row:
    soc, sigma, points, left_ah = (picture[k] for k in ("soc_frac", "soc_sigma", "reserve_points", "reserve_ah"))
    half = f"half mark ({100.0 * picture['half_mark']:.0f} %)"
    if soc is None or points is None:
        return _pieces("Reserve", [f"not known yet   {half}"], "warn")
    side = f"over the {half}" if points >= 0.0 else f"BELOW THE {half.upper()}"
    ampere_hours = "" if left_ah is None else f", {abs(left_ah):.1f} Ah"
    charge = f"charge {100.0 * soc:.1f}" + ("" if sigma is None else f" \u00b1{100.0 * sigma:.1f}") + " %"
    reserve = f"{abs(points):.1f} points{ampere_hours} {side}"
    return _pieces("Reserve", [reserve, charge], "" if points >= 0.0 else "bad")


def _bar(picture: Picture, blocks: Blocks) -> Row:
    """Charge as a bar with its error band; the label is the legend of the half mark."""
    soc, sigma = picture["soc_frac"], picture["soc_sigma"] or 0.0
    cells = [blocks.empty] * BAR
    if soc is not None:
        low, high = _cell(soc - sigma), _cell(soc + sigma)
        cells = [blocks.full] * low + [blocks.band] * (high - low + 1) + [blocks.empty] * (BAR - high - 1)
    cells[_cell(picture["half_mark"])] = blocks.mark
    return Row(f"{pad(f'half at {blocks.mark}', LABEL)}0 {''.join(cells)} 100")


def _cell(share: float) -> int:
    return min(BAR - 1, max(0, int(share * BAR)))


# -- what is measured --------------------------------------------------------------------------


def _bank(picture: Picture) -> Row:
    current, values = picture["bank_current"], picture["quantities"]
    pieces = [_value(values, "bank_v", ".2f")]
    if "bank_a" in values:
        bank_a = values["bank_a"]["value"]
        doing = " charging" if bank_a > 0.0 else " draining" if bank_a < 0.0 else ""
        pieces.append(_value(values, "bank_a", "+.2f") + doing)
    if picture["capacity_ah"] > 0.0:
        pieces.append(f"holds {picture['capacity_ah']:.1f} \u00b1{picture['capacity_sigma_ah']:.1f} Ah")
    if current["from"] != "shunt":
        pieces.append("current " + ("not known" if current["from"] == "nothing" else f"= {clean(current['words'])}"))
    return _pieces("Bank", pieces)


def _sun(picture: Picture) -> Row:
    values = picture["quantities"]
    panel = [_value(values, name, form) for name, form in (("panel_w", ".0f"), ("panel_v", ".1f"), ("panel_a", ".2f"))]
    panel_text = " ".join(p for p in panel if p)
    charge = _value(values, "charge_a", ".2f")
    return _pieces("Sun", [f"panel {panel_text}" if panel_text else "", f"charge {charge}" if charge else ""])


def _loads(picture: Picture) -> Row:
    values = picture["quantities"]
    computer = _value(values, "computer_a", ".3f")
    loads = [_value(values, "load_a", ".2f"), _value(values, "load_v", ".2f")]
    return _pieces("Loads", [*loads, f"computer {computer}" if computer else ""])


def _heat(picture: Picture) -> list[Row]:
    """Temperatures with the limit at which each is warned of; one past its limit carries a sign."""
    pieces, hot = [], False
    for name in ("bank_c", "controller_c", "enclosure_c", "computer_c"):
        text = _value(picture["quantities"], name, ".1f")
        if not text:
            continue
        limit = picture.get("limits", {}).get(name)
        past = limit is not None and picture["quantities"][name]["value"] >= limit["raise_at"]
        hot = hot or past
        warn = "" if limit is None else f" {'PAST ' if past else 'of '}{limit['raise_at']:.0f}"
        pieces.append(f"{name.removesuffix('_c')} {text}{warn}")
    return _flow("Heat", pieces, 2, "bad" if hot else "") or [Row(pad("Heat", LABEL) + "not measured")]


def _housing(picture: Picture) -> list[Row]:
    values = picture["quantities"]
    humidity = _value(values, "enclosure_rh", ".0f")
    pieces = [f"humidity {humidity}"] if humidity else []
    if "door" in values:
        pieces.append("door OPEN" if values["door"]["value"] >= 0.5 else "door shut")
    return _flow("Housing", pieces, 1)


def _absent(picture: Picture) -> list[Row]:
    """What this site has no value of: with the reasons if there is room, else by name."""
    names = [_label(row["quantity"]) for row in picture["absent"]]
    if not names:
        return []
    full = "; ".join(f"{n}: {clean(row['why'])}" for n, row in zip(names, picture["absent"], strict=True))
    lines = list(wrap(full, COLUMNS - LABEL))
    if len(lines) > 2:
        lines = [cut(f"no value of {', '.join(names)}", COLUMNS - LABEL)]
    return [Row(pad("Absent" if number == 0 else "", LABEL) + line) for number, line in enumerate(lines)]


def _label(quantity: str) -> str:
    known = QUANTITIES.get(quantity)
    return known.label if known else clean(quantity)


def _value(values: dict[str, QuantityPicture], name: str, form: str) -> str:
    """Set one value with its unit, and its age once that matters; nothing when there is none."""
    row = values.get(name)
    if row is None:
        return ""
    old = f" ({span(row['age_s'])} old)" if row["age_s"] > OLD_S else ""
    return f"{row['value']:{form}} {clean(row['unit'])}".rstrip() + old


# -- alerts and instruments --------------------------------------------------------------------


def _alerts(alerts: list[AlertPicture], room: int) -> list[Row]:
    """Set the standing alerts with as much of what to do as there is room for; the worst come first."""
    if not alerts:
        return [Row(pad("Alerts", LABEL) + "none stands")]
    ordered = by_severity(alerts)
    for words in (3, 2, 1):
        rows = [row for alert in ordered for row in (_alert_row(alert), *_to_do(alert, words))]
        if len(rows) < room:
            return [*rows, Row(" " * LABEL + CAUTION)]
    rows = [_alert_row(ordered[0]), *_to_do(ordered[0], 2 if room > 4 else 1)]
    rows += [_alert_row(alert) for alert in ordered[1:]]
    return _at_most(rows, room, "more alerts: status --json has them all")


def _alert_row(alert: AlertPicture) -> Row:
    tone = "warn" if alert["severity"] == "advice" else "bad"
    state = alert_state(alert)
    taken = f" ({state})" if state else ""
    words = f"{alert_title(alert)}, for {span(alert['for_s'])}{taken}{_against_limit(alert)}"
    return Row(f"{pad(clean(alert['severity']).upper(), LABEL - 1)} {words}", tone)


def _against_limit(alert: AlertPicture) -> str:
    value, limit = alert["value"], alert["limit"]
    if value is None or limit is None:
        return ""
    match alert.get("unit", ""):
        case "share":
            return f": {100.0 * value:.0f} %, limit {100.0 * limit:.0f} %"
        case "s":
            return f": {span(value)}, limit {span(limit)}"
        case unit:
            return f": {value:.4g} {clean(unit)}".rstrip() + f", limit {limit:.4g}"


def _to_do(alert: AlertPicture, most: int) -> list[Row]:
    return [Row(" " * LABEL + line) for line in _wrapped(clean(alert["to_do"]), most, COLUMNS - LABEL)]


def _instruments(picture: Picture) -> list[Row]:
    """Lines that are down, then instruments, the silent ones first."""
    rows = []
    for name, line in picture["lines"].items():
        if not line["up"]:
            since = "" if line["down_s"] is None else f" for {span(line['down_s'])}"
            why = clean(line["why"] or "no reason known")
            label = pad(f"line {clean(name)}", NAME_MAX)
            rows.append(Row(f"{label} DOWN{since}: {why} ({clean(line['port'])})", "bad"))
    named = sorted(picture["instruments"].items(), key=lambda item: (not is_silent(item[1]), item[0]))
    return rows + [_instrument(name, row) for name, row in named]


def _instrument(name: str, row: InstrumentPicture) -> Row:
    silent, age_s, error_age_s = is_silent(row), row["age_s"], row["last_error_age_s"]
    age = "NO ANSWER YET" if age_s is None else f"NO ANSWER {span(age_s)}" if silent else f"{span(age_s)} old"
    error = clean(row["last_error"] or "")
    fresh = bool(error) and error_age_s is not None and error_age_s < ERROR_FRESH_S
    pieces = [f"{age} ({error})" if silent and error else age, f"answered {row['answered']} of {row['asked']}"]
    pieces += [f"{key} {row[key]}" for key in ("refused", "silent", "garbled", "late", "suspect") if row[key]]
    if fresh and not silent and error_age_s is not None:
        pieces.append(f"last {span(error_age_s)} ago: {error}")
    return Row(f"{pad(clean(name), NAME_MAX)} {', '.join(pieces)}", "bad" if silent else "")


# -- the foot ----------------------------------------------------------------------------------


def _record(picture: Picture) -> Row:
    record = picture["record"]
    if record["failing_s"] is not None:
        why = clean(record["why"] or "reason not known")
        return Row(f"{pad('Record', LABEL)}NOTHING STORED for {span(record['failing_s'])}: {why}", "bad")
    last_s = record["last_commit_age_s"]
    last = "nothing stored yet" if last_s is None else f"stored {span(last_s)} ago"
    if damaged := record.get("damaged"):
        return Row(f"{pad('Record', LABEL)}{last}, {damaged} DAMAGED pieces in it: see halfmark verify", "bad")
    counts = f"{record['commits']} commits, {record['readings']} readings"
    return Row(f"{pad('Record', LABEL)}{last}, {counts}, {clean(record['folder'])}")


def _sending(picture: Picture) -> list[Row]:
    """How `send` fares, as `daemon.sending` told it: first what fails, then the ways on which all is well."""
    state = picture["sending"]
    if state is None:
        return [Row(pad("Sending", LABEL) + "nothing known of it")]
    why, ways = state.get("record_why"), _mapping(state.get("ways"))
    since_boot_s = picture["at_s"] if state.get("boot_id") == picture.get("boot_id") else None
    told = [_way(name, _mapping(way), since_boot_s) for name, way in ways.items()]
    told += [words + _failing(door, since_boot_s) for words, door in doors_told(state)]
    told.sort(key=lambda piece: "FAILING" not in piece)
    bad = bool(why) or any("FAILING" in piece for piece in told)
    pieces = [f"CAN'T READ THE RECORD: {clean(why)}"] if isinstance(why, str) and why else []
    return _flow("Sending", [*pieces, *told] or ["no way out is set up"], 2, "bad" if bad else "")


def _way(name: str, way: Mapping[str, object], now_s: float | None) -> str:
    counts = [
        f"{way[key]} {key}" for key in ("waiting", "taken", "refused", "dropped") if isinstance(way.get(key), int)
    ]
    text = f"{cut(clean(name), NAME_MAX)}: {', '.join(counts) or 'nothing known'}"
    return text + _failing(way, now_s)


def _failing(way: Mapping[str, object], now_s: float | None) -> str:
    failing_s = way.get("failing_since_s")
    if not isinstance(failing_s, (int, float)):
        return ""
    since = f" for {span(now_s - failing_s)}" if now_s is not None and now_s >= failing_s else ""
    error = way.get("last_error")
    return f", FAILING{since}" + (f" ({clean(error)})" if isinstance(error, str) else "")


def _mapping(value: object) -> Mapping[str, object]:
    return value if isinstance(value, Mapping) else {}


# -- setting rows ------------------------------------------------------------------------------


def _pieces(label: str, pieces: Iterable[str], tone: str = "") -> Row:
    """Set pieces in one row, three columns apart; says so when there is none."""
    present = [piece for piece in pieces if piece]
    return Row(pad(label, LABEL) + ("   ".join(present) if present else "not measured"), tone)


def _flow(label: str, pieces: Sequence[str], most: int, tone: str = "") -> list[Row]:
    """Set pieces in at most so many rows without breaking one; what still does not fit is cut."""
    lines: list[str] = []
    for piece in pieces:
        if lines and (columns(lines[-1]) + 3 + columns(piece) <= COLUMNS - LABEL or len(lines) == most):
            lines[-1] += "   " + piece
        else:
            lines.append(piece)
    return [Row(pad(label if number == 0 else "", LABEL) + line, tone) for number, line in enumerate(lines)]


def _at_most(rows: list[Row], room: int, words: str = "more lines and instruments") -> list[Row]:
    """Keep the first rows and say how many are left out."""
    if len(rows) <= room:
        return rows
    kept = max(room - 1, 0)
    bad = any(row.tone == "bad" for row in rows[kept:])
    return [*rows[:kept], Row(f"{'':<{LABEL}}and {len(rows) - kept} {words}", "bad" if bad else "")]


def _wrapped(text: str, most: int, room: int) -> list[str]:
    """Break a text into at most so many lines; what is left over is cut from the last one."""
    lines = list(wrap(text, room))
    return lines if len(lines) <= most else [*lines[: most - 1], cut(" ".join(lines[most - 1 :]), room)]
