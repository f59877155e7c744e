"""The words of a notice: what happened at which site, since when, what is left, what to do, how to stay safe.

Every text that came from a file or a wire is made plain first: no control byte, no line end and no
direction mark of a name can reach a mail header, a terminal or a short message.
"""

import textwrap
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import hypot

from shared.alerts import (
    BY_CONDITION,
    BY_FLAPPING,
    BY_TIME,
    FLAP_WITHIN_S,
    FLAPS_MOST,
    NOT_WATCHED,
    AlertEvent,
)
from shared.rules import RULES, Rule
from shared.site import Site

LINE_MOST = 76  # columns of a text line; RFC 5322 advises not more than 78
SUBJECT_MOST = 120  # characters; folded in the header by the mail library
SHORT_MOST = 160  # one short message in the 7-bit alphabet of 3GPP TS 23.038
SITE_MOST = 40
SHORT_SITE_MOST = 24
NAME_MOST = 40
WORDS_MOST = 300
SHORT_NAME_MOST = 20
# Outside the basic 7-bit alphabet, or counted twice there (3GPP TS 23.038).
_SHORT_SWAPS = str.maketrans(
    {"^": "'", "{": "(", "}": ")", "[": "(", "]": ")", "~": "-", "|": "/", "\\": "/", "`": "'"}
)

_STATE_WORDS = {
    "cleared": "over",
    "grown": "worse",
    "reminded": "still stands",
    "uncovered": "stands by itself",
}

NEVER_ALONE = (
    "Never go alone, and tell somebody where you are and when you will be back. Not in storm, ice or dark: a silent "
    "repeater can wait, and no reserve is worth a person."
)
CAUTIONS = {
    "lead-acid": "A bank under charge gives off hydrogen: open the box and let it air before you work, no flame, spark "
    "or smoking. Short circuits burn: rings off, insulated tools, eyes covered; water at hand against acid.",
    "lithium": "Lithium: never charge it below 0 C, not even from another source. A bank that is swollen, hissing, "
    "smells or is too hot to touch: keep away and do not open it. Rings off, insulated tools.",
}
NO_FUSE = (
    "This notice comes from software. It replaces no fuse, no low-voltage disconnect and no protection circuit: those "
    "have to be there and work without it."
)


@dataclass(frozen=True, slots=True)
class Reserve:
    """What is left above the half mark; negative below it. Errors are two standard deviations.

    Attributes:
        points, points_error: percentage points of the present capacity.
        ah, ah_error: ampere-hours.
    """

    points: float
    points_error: float
    ah: float
    ah_error: float


@dataclass(frozen=True, slots=True)
class NoticeContext:
    """What a notice needs to know besides the event.

    Attributes:
        site: the site as configured.
        now_s: seconds since boot, in the same count as the event.
        utc: the same moment, aware; None while no clock is trusted.
        soc_frac, soc_sigma: the estimate and its standard deviation; None when not known.
        capacity_ah, capacity_sigma_ah: present capacity and its standard deviation, Ah.
        origin: the boot id; keeps the notice's key apart from those of any other boot.
    """

    site: Site
    now_s: float
    utc: datetime | None = None
    soc_frac: float | None = None
    soc_sigma: float | None = None
    capacity_ah: float | None = None
    capacity_sigma_ah: float = 0.0
    origin: str = ""

    @property
    def reserve(self) -> Reserve | None:
        """What is left above the site's half mark; None when it is not known."""
        if self.soc_frac is None or self.soc_sigma is None or self.capacity_ah is None:
            return None
        half_mark = self.site.bank.half_mark
        return reserve_of(self.soc_frac, self.soc_sigma, self.capacity_ah, half_mark, self.capacity_sigma_ah)


@dataclass(frozen=True, slots=True)
class Notice:
    """A message about an alert, complete as it leaves the hill.

    Attributes:
        key: the same for the same notice for ever, different for any other: duplicates are known by it.
        event_id, alert, rule, state, severity, at_s: of the event.
        utc_s: when the event was, s since 1970 UTC; None without a trusted clock.
        site: the site's name, made plain.
        subject: one line.
        text: lines of at most 78 columns, parted by LF.
        short: one line of at most 160 characters of the 7-bit alphabet.
    """

    key: str
    event_id: int
    alert: str
    rule: str
    state: str
    severity: str
    at_s: float
    utc_s: float | None
    site: str
    subject: str
    text: str
    short: str


def reserve_of(
    soc_frac: float, soc_sigma: float, capacity_ah: float, half_mark: float, capacity_sigma_ah: float = 0.0
) -> Reserve:
    """Work out the reserve above the half mark.

    Args:
        soc_frac, half_mark: 0 to 1, of the present capacity.
        soc_sigma: standard deviation of soc_frac.
        capacity_ah, capacity_sigma_ah: present capacity and its standard deviation, Ah.
    Source: definition; the errors of charge and capacity are taken as independent.
    """
    above = soc_frac - half_mark
    ah_sigma = hypot(soc_sigma * capacity_ah, above * capacity_sigma_ah)
    return Reserve(100.0 * above, 200.0 * soc_sigma, above * capacity_ah, 2.0 * ah_sigma)


def compose(event: AlertEvent, context: NoticeContext) -> Notice:
    """Write the notice of an event.

    Raises: KeyError: the event's rule is not in `shared.rules.RULES`.
    """
    rule = RULES[event.rule]
    site = plain(context.site.place.name, SITE_MOST)
    headline = f"{_title(rule, event)}, {_state_words(event)}"
    subject = f"{site}: {event.severity.upper()}: {headline}"
    return Notice(
        key=f"{plain(context.origin, NAME_MOST)}-{event.id}-{round(event.at_s * 1000.0)}",
        event_id=event.id,
        alert=event.alert,
        rule=event.rule,
        state=event.state,
        severity=event.severity,
        at_s=event.at_s,
        utc_s=None if context.utc is None else context.utc.timestamp() - (context.now_s - event.at_s),
        site=site,
        subject=plain(subject, SUBJECT_MOST),
        text=_text(rule, event, context, subject),
        short=_short(rule, event, context),
    )


def plain(text: str, most: int) -> str:
    """Make one safe line of any text: no control, format or line-parting character, no double space, cut to `most`."""
    kept = "".join(" " if unicodedata.category(c)[0] == "C" or c in "\u2028\u2029" else c for c in text[: 8 * most])
    line = " ".join(kept.split())
    return line if len(line) <= most else line[: most - 3].rstrip() + "..."


def duration(length_s: float) -> str:
    """Write a length of time with the two figures a person needs: 40 s, 12 min, 3 h 20 min, 2 d 4 h."""
    length_s = max(0.0, length_s)
    if length_s < 90.0:
        return f"{length_s:.0f} s"
    minutes = round(length_s / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def written_value(rule: Rule, value: float | None) -> str:
    """Write a value of the rule's fact with its unit."""
    if value is None:
        return "not known"
    if rule.unit == "share":
        return f"{100.0 * value:.0f} %"
    if rule.unit == "s":
        return duration(value)
    if rule.unit == "":
        return f"{value:.0f}"
    if rule.unit == "A":
        return f"{value:.2f} A"
    return f"{value:.1f} {rule.unit}"


def written_reserve(reserve: Reserve | None) -> str:
    """Write the reserve as one sentence part, with its error."""
    if reserve is None:
        return "not known"
    side = "above" if reserve.points >= 0.0 else "below"
    return (
        f"{abs(reserve.points):.0f} points {side} the half mark (give or take {reserve.points_error:.0f}), "
        f"{reserve.ah:+.1f} Ah (give or take {reserve.ah_error:.1f})"
    )


def _state_words(event: AlertEvent) -> str:
    if event.state == "raised" and event.why == BY_FLAPPING:
        return "comes and goes"
    return _STATE_WORDS.get(event.state, event.state)


def _title(rule: Rule, event: AlertEvent, name_most: int = NAME_MOST) -> str:
    _, _, instrument = event.alert.partition(":")
    return f"{rule.title} ({plain(instrument, name_most)})" if instrument else rule.title


def _since(event: AlertEvent, context: NoticeContext) -> str:
    age_s = context.now_s - event.since_s
    if context.utc is None:
        some = "about" if event.since_exact else "at least"
        return f"{some} {duration(age_s)} before this was written; the clock is not trusted"
    began = _utc(context.utc - timedelta(seconds=age_s))
    return began if event.since_exact else f"{began} or earlier"


def _utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _text(rule: Rule, event: AlertEvent, context: NoticeContext, subject: str) -> str:
    lines = [*_wrapped(subject), ""]
    lines += text_row("Site", plain(context.site.place.name, SITE_MOST))
    lines += text_row("What", f"{_title(rule, event)} ({event.alert}), {_state_words(event)}")
    lines += text_row("Severity", event.severity)
    lines += text_row("Since", _since(event, context))
    lines += _cleared_rows(rule, event, context) if event.state == "cleared" else _raised_rows(rule, event)
    if event.words:
        lines += text_row("Told", plain(event.words, WORDS_MOST))
    if event.who is not None and event.state != "raised":
        note = f": {event.note}" if event.note else ""
        lines += text_row("Taken on", plain(f"by {event.who}{note}", WORDS_MOST))
    lines += text_row("Reserve", written_reserve(context.reserve))
    if context.utc is not None:
        lines += text_row("Written", _utc(context.utc))
    if event.state == "cleared":
        advice = "Nothing needs to be done now. If it comes and goes, look for the cause before it stays."
        lines += ["", *_wrapped(advice)]
    else:
        lines += ["", "What it means", *_wrapped(rule.meaning), "", "What to do", *_wrapped(rule.to_do)]
    lines += ["", "Safety", *_safety(rule, context.site.bank.chemistry)]
    return "\n".join(lines) + "\n"


def _raised_rows(rule: Rule, event: AlertEvent) -> list[str]:
    rows = [
        *text_row("Value", f"{written_value(rule, event.value)} ({rule.value_name})"),
        *text_row("Limit", written_value(rule, event.limit)),
    ]
    why = _why(rule, event)
    return rows + text_row("Why", why) if why else rows


def _why(rule: Rule, event: AlertEvent) -> str:
    """Why this notice comes now, where the value does not tell it."""
    match event.state:
        case "raised" if event.why == BY_FLAPPING:
            return (
                f"it has come and gone {FLAPS_MOST} times in {duration(FLAP_WITHIN_S)}: from now on it counts as "
                f"standing until it has been calm for {duration(rule.hold_s)}, and its coming and going is not told"
            )
        case "grown" if event.why == BY_TIME:
            return f"it has stood for {duration(event.at_s - event.since_s)}, so it is {event.severity} now"
        case "grown":
            return f"it has passed a further limit, so it is {event.severity} now"
        case "reminded":
            return (
                f"it still stands after {duration(event.at_s - event.since_s)}; the next reminder comes later than this"
            )
        case "uncovered":
            return "it was kept quiet while another alert explained it; that one is over, and this one still stands"
    return ""


def _cleared_rows(rule: Rule, event: AlertEvent, context: NoticeContext) -> list[str]:
    ended = "" if context.utc is None else f", until {_utc(_event_utc(event, context.utc, context.now_s))}"
    some = "" if event.since_exact else "at least "
    rows = text_row("Lasted", f"{some}{duration(event.at_s - event.since_s)}{ended}")
    if event.why == NOT_WATCHED:
        return rows + text_row("Why", "it is not watched any more: the site file has changed")
    if event.why == BY_CONDITION:
        rows += text_row("Worst", written_value(rule, event.worst))
        return rows + text_row("Why", "what makes it a danger has ended")
    rows += text_row("Value", f"{written_value(rule, event.value)} ({rule.value_name})")
    rows += text_row("Worst", written_value(rule, event.worst))
    return rows + text_row("Limit", f"{written_value(rule, event.limit)} to be over")


def _event_utc(event: AlertEvent, now_utc: datetime, now_s: float) -> datetime:
    return now_utc - timedelta(seconds=now_s - event.at_s)


def _safety(rule: Rule, chemistry: str) -> list[str]:
    cautions = [NEVER_ALONE]
    if "bank" in rule.touches:
        cautions.append(CAUTIONS["lithium" if chemistry == "lifepo4" else "lead-acid"])
    cautions.append(NO_FUSE)
    return [line for caution in cautions for line in _wrapped(caution, first="- ", rest="  ")]


def _short(rule: Rule, event: AlertEvent, context: NoticeContext) -> str:
    site = plain(context.site.place.name, SHORT_SITE_MOST)
    head = f"{site} {event.severity.upper()}: {_title(rule, event, SHORT_NAME_MOST)}"
    if event.state == "cleared":
        parts = [head + f" over after {duration(event.at_s - event.since_s)}."]
    else:
        state = "" if event.state == "raised" and event.why != BY_FLAPPING else f" {_state_words(event)}"
        parts = [head + f"{state}, {written_value(rule, event.value)}, limit {written_value(rule, event.limit)}."]
        parts.append("Not alone, not in storm, ice, dark.")
    left = context.reserve
    if left is not None:
        parts.append(f"Reserve {left.points:+.0f} pts +-{left.points_error:.0f}, {left.ah:+.1f} Ah.")
    if context.utc is not None:
        parts.append(f"{_event_utc(event, context.utc, context.now_s).astimezone(UTC):%d %b %H:%MZ}")
    return fitted(seven_bit(part) for part in parts)


def seven_bit(text: str) -> str:
    """Bring text to characters that count once each in a short message; what has no likeness becomes "?"."""
    apart = unicodedata.normalize("NFKD", text)
    kept = "".join(c for c in apart if not unicodedata.combining(c))
    return plain(kept.encode("ascii", "replace").decode("ascii").translate(_SHORT_SWAPS), SHORT_MOST)


def fitted(parts: Iterable[str]) -> str:
    """Join as many parts, in order, as one short message holds."""
    line = ""
    for part in parts:
        longer = f"{line} {part}".strip()
        if len(longer) <= SHORT_MOST:
            line = longer
    return line


def text_row(label: str, text: str) -> list[str]:
    """Set one labelled line of a notice's text, broken where it is too long."""
    return _wrapped(text, first=f"{label + ':':<10}", rest=" " * 10)


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    safe = plain(text, 2000)
    return textwrap.wrap(safe, LINE_MOST, initial_indent=first, subsequent_indent=rest) or [first.rstrip()]
