"""The first glance: is it all right? One mark, one tone and one clause, the same for every screen."""

from dataclasses import dataclass
from datetime import datetime

from daemon.picture import AlertPicture, InstrumentPicture, Picture
from daemon.screens.lettering import clean, span

SEVERITIES = ("urgent", "act", "advice")  # worst first
SILENT_TURNS = 3.0  # periods after which a screen no longer calls a value new; the alert comes later
SILENT_LEAST_S = 5.0
_MARKS = {"urgent": ("[!!!]", "bad"), "act": ("[!!]", "bad"), "advice": ("[!]", "warn")}


@dataclass(frozen=True, slots=True)
class Told:
    """Who told the picture.

    Attributes:
        live: the running service did, just now.
        why: else, why it is not from the service, in one clause.
        detail: where that was seen and what to do about it.
        utc: when the picture was made, by a trusted clock; None when not known.
        age_s: how long ago that was, s; None when not known.
        later_s: how much younger than the picture the newest reading in the record is, s.
    """

    live: bool
    why: str = ""
    detail: str = ""
    utc: datetime | None = None
    age_s: float | None = None
    later_s: float | None = None

    def when(self) -> str:
        """Say from when the words are."""
        if self.utc is None and self.age_s is None:
            return "a time not known"
        utc = "" if self.utc is None else self.utc.strftime("%Y-%m-%d %H:%M:%S UTC")
        ago = "" if self.age_s is None else f"{span(self.age_s)} ago"
        return f"{utc}, {ago}" if utc and ago else utc or ago


@dataclass(frozen=True, slots=True)
class Verdict:
    """A sign that needs no colour, the tone for those who have colour, and the words."""

    mark: str
    tone: str
    words: str


def verdict(picture: Picture, told: Told) -> Verdict:
    """Say the worst that is known, or that all is well; never that all is well when that is not known."""
    if not told.live:
        return Verdict("[?]", "bad", told.why)
    alerts = by_severity(picture["alerts"])
    if alerts:
        mark, tone = _MARKS.get(alerts[0]["severity"], _MARKS["act"])
        more = f", and {len(alerts) - 1} more" if len(alerts) > 1 else ""
        return Verdict(mark, tone, f"{alert_title(alerts[0])}{more}")
    return _without_alerts(picture)


def _without_alerts(picture: Picture) -> Verdict:
    """No alert stands; but some rules wait before they raise one, and some troubles have no rule."""
    down = [name for name, line in picture["lines"].items() if not line["up"]]
    if picture["record"]["failing_s"] is not None:
        return Verdict("[!!]", "bad", f"nothing is stored for {span(picture['record']['failing_s'])}")
    if down:
        return Verdict("[!]", "warn", f"line {clean(down[0])} is down" + (f", {len(down)} in all" if down[1:] else ""))
    points = picture["reserve_points"]
    if picture["soc_frac"] is None or points is None:
        return Verdict("[?]", "warn", "the charge is not known yet")
    if points < 0.0:
        return Verdict("[!]", "warn", "below the half mark, no alert stands yet")
    silent = [name for name, row in picture["instruments"].items() if is_silent(row)]
    if silent:
        return Verdict("[!]", "warn", f"{clean(silent[0])} gives no answer, no alert stands yet")
    return Verdict("[ok]", "good", "all well, no alert stands")


def is_silent(row: InstrumentPicture) -> bool:
    """Tell whether an instrument has missed its last turns."""
    return row["age_s"] is None or row["age_s"] > max(SILENT_TURNS * row["every_s"], SILENT_LEAST_S)


def by_severity(alerts: list[AlertPicture]) -> list[AlertPicture]:
    """Sort alerts, the worst first and of those the youngest; what another one explains comes last."""
    rank = {severity: place for place, severity in enumerate(SEVERITIES)}
    return sorted(alerts, key=lambda a: (bool(a.get("covered_by")), rank.get(a["severity"], 1), a["for_s"]))


def alert_state(alert: AlertPicture) -> str:
    """Say what is special about a standing alert, to be put behind its age; empty when nothing is."""
    words = ["taken on"] if alert["acked"] is not None else []
    if cover := alert.get("covered_by"):
        words.append(f"explained by {clean(cover)}")
    if alert.get("held"):
        words.append("comes and goes")
    return ", ".join(words)


def alert_title(alert: AlertPicture) -> str:
    """Name an alert for people; for a rule that watches each instrument, with the instrument."""
    title = clean(alert.get("title", "")) or clean(alert["alert"])
    _, _, instrument = alert["alert"].partition(":")
    return f"{title} ({clean(instrument)})" if instrument and alert.get("title") else title
