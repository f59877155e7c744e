"""The site in one short message: at most 160 characters of the basic GSM alphabet, the weightiest first."""

from collections.abc import Iterator, Sequence

from daemon.picture import Picture
from daemon.screens.lettering import clean, cut, span_short, to_gsm7
from daemon.screens.outlook import read_lookahead
from daemon.screens.verdict import Told, by_severity

LINE_MAX = 160  # septets of one message, 3GPP TS 23.040
SITE_MAX = 24
ALERT_MAX = 34
WHY_MAX = 40


def status_line(picture: Picture, told: Told) -> str:
    """Set the picture as one line; what does not fit is left out from the end of the list on."""
    line = cut(_set(picture["site"]) or "site", SITE_MAX) + ":"
    for number, choices in enumerate(_pieces(picture, told)):
        for piece in choices:
            longer = f"{line} {piece}" if number == 0 else f"{line}, {piece}"
            if len(longer) <= LINE_MAX:
                line = longer
                break
    return line


def _pieces(picture: Picture, told: Told) -> Iterator[Sequence[str]]:
    """Each piece in the forms it may take, longest first."""
    if not told.live:
        ago = "at a time not known" if told.age_s is None else f"{span_short(told.age_s)} ago"
        yield [f"{cut(_set(told.why), WHY_MAX)}, last words {ago}"]
    yield [_charge(picture)]
    yield [*_alerts(picture)]
    half = _half(picture)
    if half:
        yield [half]
    if picture["record"]["failing_s"] is not None:
        yield [f"NOTHING STORED for {span_short(picture['record']['failing_s'])}"]
    down = sum(not line["up"] for line in picture["lines"].values())
    if down:
        yield [f"{down} line down" if down == 1 else f"{down} lines down"]
    yield from ([piece] for piece in _measured(picture))
    if told.live and picture["utc"] is not None:
        yield [f"at {_set(picture['utc'])[11:16]}Z"]


def _charge(picture: Picture) -> str:
    soc, sigma, points, left_ah = (picture[k] for k in ("soc_frac", "soc_sigma", "reserve_points", "reserve_ah"))
    if soc is None or points is None:
        return "charge not known"
    error = "" if sigma is None else f"+-{100.0 * sigma:.0f}"
    ampere_hours = "" if left_ah is None else f" {abs(left_ah):.1f}Ah"
    where = "over half mark" if points >= 0.0 else "BELOW HALF MARK"
    return f"{100.0 * soc:.0f}{error}%, {abs(points):.0f}pt{ampere_hours} {where}"


def _half(picture: Picture) -> str:
    """Hours to the half mark, likely and cautious, where the lookahead sees it."""
    ahead = read_lookahead(picture)
    if ahead is None or ahead.cautious_h is None or ahead.cautious_h <= 0.0:
        return ""
    likely = "" if ahead.likely_h is None else f"{ahead.likely_h:.0f}h, "
    return f"half in {likely}cautious {ahead.cautious_h:.0f}h"


def _alerts(picture: Picture) -> Iterator[str]:
    alerts = by_severity(picture["alerts"])
    if not alerts:
        yield "no alert"
        return
    named = [
        f"{_set(alert['severity']).upper()[:6]} {cut(_set(alert['alert']), ALERT_MAX)} {span_short(alert['for_s'])}"
        for alert in alerts[:2]
    ]
    for told in range(len(named), 0, -1):
        left = len(alerts) - told
        yield " ".join(named[:told]) + (f" +{left} more" if left else "")
    yield f"{len(alerts)} alerts"


def _measured(picture: Picture) -> Iterator[str]:
    values = picture["quantities"]
    bank = [
        f"{values[name]['value']:{form}}{unit}"
        for name, form, unit in (("bank_v", ".2f", "V"), ("bank_a", "+.2f", "A"), ("bank_c", ".0f", "C"))
        if name in values
    ]
    if bank:
        yield "bank " + " ".join(bank)
    if "panel_w" in values:
        yield f"sun {values['panel_w']['value']:.0f}W"
    if "load_a" in values:
        yield f"loads {values['load_a']['value']:.2f}A"


def _set(text: str) -> str:
    return to_gsm7(clean(text))
