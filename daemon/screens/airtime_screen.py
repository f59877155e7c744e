"""The screen of `halfmark airtime`: totals, the hours of the day as bars, the days, and what was learned."""

from collections.abc import Iterator, Sequence

from daemon.kept_station import KeptStation
from daemon.screens.lettering import clean, span, wrap
from daemon.screens.terminal import Terminal
from shared.airtime import Airtime
from shared.airtime_hours import AirtimeHour, by_day, by_hour_of_day, duty, total

DAY_S = 86_400.0
FIGURES = 31  # columns before the bars
BAR_MOST = 60
WIDE = 60  # columns from which on a day also tells how much of it was seen
_FULL, _ASCII = "\u2588", "#"


def airtime_screen(kept: KeptStation, airtime: Airtime, terminal: Terminal) -> list[str]:
    """Set airtime for a terminal; `kept.since_s` says from where on."""
    rows = [row for row in airtime.hours.rows if row.begin_s >= kept.since_s - 3600.0]
    name = f"{clean(kept.site)}: " if kept.site else ""
    lines = [terminal.paint(terminal.fit(f"{name}airtime"), "strong")]
    whole = total(rows)
    if whole is None or duty(whole) is None:
        why = "nothing was seen in this time: keyings need readings each two seconds or more often"
        return lines + [terminal.fit(line) for line in wrap(why, terminal.width)]
    lines += [line for text in _totals(kept, whole) for line in wrap(terminal.spell(text), terminal.width)]
    dated = kept.midnight_s is not None
    midnight_s = kept.midnight_s if kept.midnight_s is not None else kept.at_s
    head = "by hour of the day" if dated else "by hours before now (no clock is trusted)"
    lines += [
        "",
        terminal.paint(terminal.fit(head), "strong"),
        *_hours(by_hour_of_day(rows, midnight_s), terminal, dated),
    ]
    lines += ["", terminal.paint(terminal.fit("by day"), "strong")]
    lines += list(_days(kept, list(by_day(rows, midnight_s)), terminal))
    lines += ["", terminal.paint(terminal.fit("learned"), "strong")]
    lines += [line for text in _learned(airtime) for line in wrap(terminal.spell(text), terminal.width)]
    return lines


def _totals(kept: KeptStation, whole: AirtimeHour) -> Iterator[str]:
    looked_s = whole.seen_s + whole.part_s
    yield (
        f"since {kept.words(whole.begin_s)}: {whole.keyings:.0f} keyings, {span(whole.keyed_s)} on the air in "
        f"{span(looked_s)} that were seen, {100.0 * (duty(whole) or 0.0):.1f} %; longest {span(whole.longest_s)}"
    )
    if whole.part_s > 0.05 * looked_s:
        yield (
            f"in {span(whole.part_s)} of it the sun could hide keyings: a load current read each "
            "minute or more often would show them"
        )


def _hours(hours: dict[int, AirtimeHour], terminal: Terminal, dated: bool) -> Iterator[str]:
    """One line an hour; the bars are the duty, the longest of them as wide as there is room."""
    most = max((duty(row) or 0.0 for row in hours.values()), default=0.0)
    room = min(BAR_MOST, terminal.width - FIGURES)
    yield terminal.paint(terminal.fit(f"{'hour':<6}{'keyings':>9}{'on the air':>11}   %"), "dim")
    for number in sorted(hours, reverse=not dated):
        row = hours[number]
        share = duty(row) or 0.0
        hour = f"{number:02}" if dated else f"-{24 - number}"
        bar = (_FULL if terminal.unicode else _ASCII) * (round(room * share / most) if most > 0.0 and room > 4 else 0)
        yield terminal.fit(f"{hour:<6}{row.keyings:>9.0f}{span(row.keyed_s):>11}{100.0 * share:>4.0f} {bar}".rstrip())


def _days(kept: KeptStation, days: Sequence[AirtimeHour], terminal: Terminal) -> Iterator[str]:
    yield terminal.paint(terminal.fit(f"{'day':<11}{'keyings':>8}{'on the air':>12}{'longest':>9}"), "dim")
    for row in days:
        looked_s = row.seen_s + row.part_s
        if looked_s <= 0.0:
            continue
        day = kept.words(row.begin_s + 0.5 * DAY_S, "%Y-%m-%d")
        if kept.utc_s is None:
            day = (
                "newest" if kept.at_s - row.begin_s <= DAY_S else f"{int((kept.at_s - row.begin_s) // DAY_S)} d before"
            )
        part = "" if looked_s > 0.98 * DAY_S else f"  ({span(looked_s)} seen)"
        figures = f"{row.keyings:>8.0f}{span(row.keyed_s):>12}{span(row.longest_s):>9}"
        yield terminal.fit(f"{day:<11}{figures}{part if terminal.width >= WIDE else ''}")


def _learned(airtime: Airtime) -> Iterator[str]:
    known = airtime.learned()
    step_a, usual_a, spread_a = (known[f"transmit_step_{name}"] for name in ("a", "usual_a", "spread_a"))
    if step_a is None:
        yield "the transmit current: after some keyings"
    else:
        usual = (
            "" if usual_a is None else f", usually {usual_a:.2f} A \u00b1{spread_a or 0.0:.2f} from keying to keying"
        )
        yield f"keying adds {step_a:.2f} A{usual}"
    if known["idle_a"] is not None:
        yield f"quiet draw {known['idle_a']:.3f} A, usually {known['idle_usual_a'] or 0.0:.3f} A"
    if known["hours_since_keying"] is not None:
        since_h, pause_h = known["hours_since_keying"], known["longest_pause_h"] or 0.0
        yield f"last keying {since_h:.1f} h before, longest usual pause {pause_h:.1f} h"
    yield f"seen by {clean(airtime.tap.instrument)} {airtime.tap.quantity}"
