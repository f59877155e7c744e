"""When the regular notices are due: on elapsed time, carried over restarts."""

from collections.abc import Mapping
from datetime import UTC, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from shared.notices import Notice, NoticeContext
from shared.regular_notices import DAY_S, HEARTBEAT, SUMMARY, DayLook, compose_heartbeat, compose_summary
from shared.site import RegularNotices
from shared.station import Station

STATE_NAME = "regular"


class Regular:
    """How long ago each regular notice went out, in seconds since boot."""

    def __init__(self, now_s: float, saved: Mapping[str, object] | None = None, *, passed_s: float = 0.0) -> None:
        """Begin now, or go on.

        Args:
            now_s: seconds since boot.
            saved: what `state` gave.
            passed_s: since then, s, as far as anybody knows.
        """
        self._last_s = {HEARTBEAT: now_s, SUMMARY: now_s}
        for kind in self._last_s:
            age_s = None if saved is None else saved.get(kind)
            if isinstance(age_s, int | float):
                self._last_s[kind] = now_s - float(age_s) - passed_s

    def due(self, kind: str, now_s: float, wanted: RegularNotices) -> bool:
        """Tell whether a notice of this kind is due."""
        if kind == SUMMARY:
            return wanted.summary and now_s - self._last_s[kind] >= DAY_S
        return wanted.heartbeat_h is not None and now_s - self._last_s[kind] >= 3600.0 * wanted.heartbeat_h

    def age_s(self, kind: str, now_s: float) -> float:
        """How long ago the last one was, or the first start."""
        return now_s - self._last_s[kind]

    def sent(self, kind: str, now_s: float, wanted: RegularNotices) -> None:
        """Note that one was queued; the next one is a whole period after it was due, unless one was missed."""
        every_s = DAY_S if kind == SUMMARY else 3600.0 * (wanted.heartbeat_h or 0.0)
        due_s = self._last_s[kind] + every_s
        self._last_s[kind] = due_s if now_s - due_s < every_s / 2.0 else now_s

    def state(self, now_s: float) -> dict[str, object]:
        """What the record keeps."""
        return {kind: now_s - last_s for kind, last_s in self._last_s.items()}


def compose_regular(kind: str, station: Station, context: NoticeContext, length_s: float) -> Notice:
    """Write a regular notice of now; a summary ends the day that its sums are of.

    Args:
        kind: HEARTBEAT or SUMMARY.
        station: what is known.
        context: of this moment.
        length_s: since the last one of this kind, s.
    """
    facts, now_s = station.site_facts, context.now_s
    airtime = None if station.airtime is None else station.airtime.since(now_s - min(length_s, DAY_S))
    seconds = None if airtime is None else airtime["seconds"]
    look = DayLook(
        facts.begin_day() if kind == SUMMARY else facts.day,
        length_s,
        station.alerts.standing,
        None if context.utc is None else context.utc.astimezone(_zone(station.site.place.timezone)),
        half_h=_half_h(station, now_s),
        airtime_s=float(seconds) if isinstance(seconds, int | float) else None,
    )
    return compose_summary(context, look) if kind == SUMMARY else compose_heartbeat(context, look)


def _half_h(station: Station, now_s: float) -> float | None:
    """Hours to the half mark, likely; None when it is not within sight, or not known."""
    forecast = station.ahead.forecast(now_s)
    if forecast is None or forecast.half_likely_h is None:
        return None
    return max(0.0, forecast.half_likely_h - (now_s - forecast.made_s) / 3600.0)


def _zone(name: str) -> tzinfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC
