"""What is told though no alert asks for it: a sign of life, and a summary of each 24 h that fits one short message."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil

from shared.alerts import StandingAlert
from shared.day_sums import DaySums
from shared.notices import (
    SHORT_NAME_MOST,
    SHORT_SITE_MOST,
    SITE_MOST,
    Notice,
    NoticeContext,
    duration,
    fitted,
    plain,
    seven_bit,
    text_row,
    written_reserve,
)
from shared.rules import RULES
from shared.site import SEVERITIES

SUMMARY, HEARTBEAT = "summary", "heartbeat"
DAY_S = 86_400.0
NAMED_MOST = 2  # alerts that the short form names


@dataclass(frozen=True, slots=True)
class DayLook:
    """What a regular notice tells besides the context of every notice.

    Attributes:
        sums: of the time since the last summary.
        length_s: of that time, s.
        standing: the alerts that stand.
        local: the local time of writing; None without a trusted clock.
        half_h: hours to the half mark, likely; None when not known or not in sight.
        airtime_s: on the air since the last summary; None when nothing tells it.
    """

    sums: DaySums
    length_s: float
    standing: Sequence[StandingAlert]
    local: datetime | None = None
    half_h: float | None = None
    airtime_s: float | None = None


def compose_summary(context: NoticeContext, look: DayLook) -> Notice:
    """Write the summary of the last 24 h, or of as much of it as was seen."""
    when = f" {look.local:%d %b}" if look.local is not None else ""
    head = f"{plain(context.site.place.name, SHORT_SITE_MOST)}{when}:"
    parts = [head, *_short_charge(context, look)]
    parts += [_short_alerts(look.standing), *_short_flows(look), *_short_heat(look.sums)]
    if look.airtime_s is not None:
        parts.append(f"Air {duration(look.airtime_s)}.")
    lines = [
        *_charge_rows(context, look),
        *text_row("Sun", _ah(look.sums.sun_ah)),
        *text_row("Load", _ah(look.sums.load_ah)),
        *text_row("Hottest", _heat(look.sums)),
        *text_row("Airtime", "not known" if look.airtime_s is None else duration(look.airtime_s)),
        *_alert_rows(look.standing),
        *text_row("Seen", f"{duration(look.sums.seen_s)} of {duration(look.length_s)}"),
    ]
    return _notice(SUMMARY, f"the last {duration(look.length_s)}", context, look, parts, lines)


def compose_heartbeat(context: NoticeContext, look: DayLook) -> Notice:
    """Write a sign of life."""
    head = f"{plain(context.site.place.name, SHORT_SITE_MOST)} alive."
    parts = [head, *_short_charge(context, look)[:1], _short_alerts(look.standing)]
    lines = [*_charge_rows(context, look), *_alert_rows(look.standing)]
    return _notice(HEARTBEAT, "alive", context, look, parts, lines)


def _notice(
    kind: str, headline: str, context: NoticeContext, look: DayLook, parts: Sequence[str], lines: Sequence[str]
) -> Notice:
    site = plain(context.site.place.name, SITE_MOST)
    date = f" {look.local:%Y-%m-%d}" if look.local is not None else ""
    subject = f"{site}: {kind}{date}: {headline}"
    stamp = f"{look.local:%Y-%m-%d %H:%M}, local time" if look.local is not None else "the clock is not trusted"
    text = [subject, "", *text_row("Site", site), *lines, *text_row("Written", stamp)]
    return Notice(
        key=f"{plain(context.origin, 40)}-{kind}-{round(context.now_s * 1000.0)}",
        event_id=0,
        alert=kind,
        rule="",
        state="told",
        severity="advice",
        at_s=context.now_s,
        utc_s=None if context.utc is None else context.utc.timestamp(),
        site=site,
        subject=subject,
        text="\n".join(text) + "\n",
        short=fitted(seven_bit(part) for part in parts),
    )


def _short_charge(context: NoticeContext, look: DayLook) -> list[str]:
    if context.soc_frac is None or context.reserve is None:
        return ["Charge not known."]
    low = "" if look.sums.soc_least is None else f", low {100.0 * look.sums.soc_least:.0f} %"
    half = "" if look.half_h is None else f" Half in {look.half_h:.0f} h."
    return [f"Charge {100.0 * context.soc_frac:.0f} %{low}.", f"Reserve {context.reserve.ah:+.1f} Ah.{half}"]


def _short_flows(look: DayLook) -> list[str]:
    both = (("Sun", look.sums.sun_ah), ("load", look.sums.load_ah))
    flows = [f"{name} {ah:.1f} Ah" for name, ah in both if ah is not None]
    return [", ".join(flows) + "."] if flows else []


def _short_heat(sums: DaySums) -> list[str]:
    return [] if sums.heat_c is None else [f"Max {sums.heat_c:.0f} C {sums.heat_at}."]


def _short_alerts(standing: Sequence[StandingAlert]) -> str:
    ordered = _by_gravity(standing)
    if not ordered:
        return "No alert."
    named = ", ".join(plain(_title(row), 2 * SHORT_NAME_MOST) for row in ordered[:NAMED_MOST])
    more = f", {len(ordered) - NAMED_MOST} more" if len(ordered) > NAMED_MOST else ""
    return f"{ordered[0].severity.upper()}: {named}{more}."


def _by_gravity(standing: Sequence[StandingAlert]) -> list[StandingAlert]:
    """The gravest first; what another alert explains is left out."""
    told = [row for row in standing if row.covered_by is None]
    return sorted(told, key=lambda row: -SEVERITIES.index(row.severity))


def _title(row: StandingAlert) -> str:
    rule = RULES.get(row.rule)
    _, _, about = row.alert.partition(":")
    title = rule.title if rule is not None else row.rule
    return f"{title} ({about})" if about else title


def _charge_rows(context: NoticeContext, look: DayLook) -> list[str]:
    if context.soc_frac is None or context.soc_sigma is None:
        return text_row("Charge", "not known")
    now = f"{100.0 * context.soc_frac:.0f} % (give or take {ceil(200.0 * context.soc_sigma)})"
    low = "" if look.sums.soc_least is None else f", lowest {100.0 * look.sums.soc_least:.0f} %"
    rows = text_row("Charge", now + low) + text_row("Reserve", written_reserve(context.reserve))
    if look.half_h is not None:
        rows += text_row("Half mark", f"likely in {look.half_h:.0f} h")
    return rows


def _alert_rows(standing: Sequence[StandingAlert]) -> list[str]:
    ordered = _by_gravity(standing)
    if not ordered:
        return text_row("Alerts", "none stands")
    return [line for row in ordered for line in text_row("Alert", f"{row.severity}: {_title(row)}")]


def _heat(sums: DaySums) -> str:
    return "not known" if sums.heat_c is None else f"{sums.heat_c:.0f} C, {sums.heat_at}"


def _ah(ah: float | None) -> str:
    return "not known" if ah is None else f"{ah:.1f} Ah"
