"""The screen of `halfmark bank`: three answers, each with its error, its date and a trend."""

from collections.abc import Iterator, Mapping
from typing import Any

from daemon.kept_station import KeptStation
from daemon.screens.lettering import clean, span, wrap
from daemon.screens.terminal import Terminal

INDENT = "  "
DAY_S = 86_400.0
DAYS_SHOWN = 7
NARROW = 50
OFF_LEAST_V = 0.05  # less is within what meters and probe are apart
LOW_V = 0.15  # from here on too low is worth a warning against the wrong cure


def bank_screen(kept: KeptStation, terminal: Terminal) -> list[str]:
    """Set the answers for a terminal."""
    report: dict[str, Any] = kept.health.report(kept.at_s)
    name = f"{clean(kept.site)}: " if kept.site else ""
    lines = [terminal.paint(terminal.fit(f"{name}the bank"), "strong"), terminal.fit(_as_of(kept, report)), ""]
    for head, words in (
        ("How much of the bank is left", _left(report["left"])),
        ("What wears it", _wear(kept, report["wear"])),
        ("When was it last truly full", _full(kept, report)),
    ):
        lines.append(terminal.paint(terminal.fit(head), "strong"))
        for text in words:
            lines += [INDENT + line for line in wrap(terminal.spell(text), terminal.width - len(INDENT))]
        lines.append("")
    table = list(_days(kept, terminal))
    return lines + table if table else lines[:-1]


def _as_of(kept: KeptStation, report: Mapping[str, Any]) -> str:
    watched_s = report["watched_s"]
    if watched_s is None:
        return "nothing is known of it yet"
    least = "" if report["exact"] else "at least "
    when = f"as of {kept.words(kept.at_s)}, " if kept.utc_s is not None else ""
    return f"{when}watched for {least}{span(watched_s)}"


# -- how much is left --------------------------------------------------------------------------


def _left(left: Mapping[str, Any]) -> Iterator[str]:
    if left["capacity_ah"] is None:
        yield "not known yet"
        return
    share, sigma = 100.0 * left["share"], 100.0 * left["capacity_sigma_ah"] / left["nameplate_ah"]
    yield (
        f"capacity {left['capacity_ah']:.1f} Ah ±{left['capacity_sigma_ah']:.1f} of {left['nameplate_ah']:g} Ah "
        f"on its plate: {share:.0f} % ±{sigma:.0f}"
    )
    if left["change_ah"] is None:
        yield "trend: told after a week"
        return
    change_ah, error_ah = left["change_ah"], left["change_sigma_ah"]
    sure = "" if abs(change_ah) > 2.0 * error_ah else ", no change that can be told from its error"
    yield f"trend: {change_ah:+.1f} Ah ±{error_ah:.1f} in {left['change_over_d']:.0f} d{sure}"


# -- what wears it -----------------------------------------------------------------------------


def _wear(kept: KeptStation, wear: Mapping[str, Any]) -> Iterator[str]:
    yield (
        f"cycles: {wear['cycles']:.1f}, together {wear['full_swings']:.1f} times all of its charge; they used "
        f"{100.0 * wear['wear_least']:.1f} to {100.0 * wear['wear_most']:.1f} % of its cycle life"
    )
    if wear["month_d"]:
        yield f"trend: {100.0 * wear['wear_month']:.2f} % in the last {wear['month_d']} d"
    yield f"below the half mark: {wear['below_half_h_month']:.1f} h of these, {wear['below_half_h']:.1f} h in all"
    if wear["deepest_soc"] is not None:
        day = kept.words(kept.at_s - wear["deepest_ago_s"], "%Y-%m-%d")
        yield f"deepest: {100.0 * wear['deepest_soc']:.0f} %, {day}"
    yield from _resistance(kept, wear)
    yield from _set_point(kept, wear)


def _resistance(kept: KeptStation, wear: Mapping[str, Any]) -> Iterator[str]:
    if wear["ohm"] is None:
        yield "resistance: not seen yet; it needs keyings with voltage and current in one answer"
    else:
        yield (
            f"resistance: {1000.0 * wear['ohm']:.1f} mohm ±{1000.0 * wear['ohm_sigma']:.1f} at 25 C and full"
            f"{'' if wear['ohm_quick'] else ', from slow readings'}, {kept.words(kept.at_s - wear['ohm_ago_s'])}"
        )
        if wear["ohm_jump"] is not None:
            week, first = 100.0 * wear["ohm_jump"], 100.0 * wear["ohm_rise"]
            yield f"trend: {week:+.0f} % against the week before, {first:+.0f} % against the first"
    if wear["lead_ohm"] is not None:
        apart_mv = 1000.0 * abs(wear["meters_apart_v"])
        yield (
            f"lead to the controller: {1000.0 * wear['lead_ohm']:.0f} mohm ±{1000.0 * wear['lead_ohm_sigma']:.0f}; "
            f"the two meters are {apart_mv:.0f} mV apart"
        )


def _set_point(kept: KeptStation, wear: Mapping[str, Any]) -> Iterator[str]:
    if wear["absorb_v"] is None:
        yield "charge voltage: not seen yet; it shows when the charger holds it"
        return
    low_v, high_v = wear["absorb_need_v"]
    from_file = _off_words(wear["absorb_off_file_v"], "its set-point in the site file", "its set-point")
    yield (
        f"charge voltage: held at {wear['absorb_v']:.2f} V at {wear['absorb_c']:.0f} C, {from_file}, "
        f"{kept.words(kept.at_s - wear['absorb_ago_s'])}"
    )
    need = _off_words(wear["absorb_off_need_v"], "that", "what it needs")
    yield f"the bank got {wear['absorb_bank_v']:.2f} V and needs {low_v:.2f} to {high_v:.2f}: {need}"
    if min(wear["absorb_off_need_v"], wear["absorb_off_file_v"]) < -LOW_V:
        yield "find out why it is low first: never raise a charge voltage on a bank in a closed box"


def _off_words(off_v: float, what: str, at: str) -> str:
    if abs(off_v) < OFF_LEAST_V:
        return f"at {at}"
    return f"{abs(off_v):.2f} V {'above' if off_v > 0.0 else 'below'} {what}"


# -- when was it full --------------------------------------------------------------------------


def _full(kept: KeptStation, report: Mapping[str, Any]) -> Iterator[str]:
    full, least = report["full"], "" if report["exact"] else "at least "
    if full["ago_s"] is None:
        watched_s = report["watched_s"]
        yield "not yet" if watched_s is None else f"not in the {least}{span(watched_s)} it is watched"
    else:
        day = f", {kept.words(kept.at_s - full['ago_s'])}" if kept.utc_s is not None else ""
        yield f"{least}{span(full['ago_s'])} ago{day}: {100.0 * full['soc']:.0f} % ±{100.0 * full['sigma']:.0f}"
    if full["best_week_soc"] is not None:
        before = full["best_week_before_soc"]
        earlier = "" if before is None else f", of the week before {100.0 * before:.0f} %"
        yield f"trend: highest of the last week {100.0 * full['best_week_soc']:.0f} %{earlier}"


# -- day by day --------------------------------------------------------------------------------


def _days(kept: KeptStation, terminal: Terminal) -> Iterator[str]:
    rows = [row for row in kept.health.days.all if row.days == 1 and row.least_soc is not None][-DAYS_SHOWN:]
    if not rows:
        return
    wide = terminal.width >= NARROW
    head = f"{'day':<12}{'low':>6}{'high':>6}{'below half':>12}" + (f"{'capacity':>12}{'mohm':>8}" if wide else "")
    yield terminal.paint(terminal.fit(head), "dim")
    for row in rows:
        day = kept.words(row.begin_s + 0.5 * DAY_S, "%Y-%m-%d") if kept.utc_s is not None else _ago(kept, row.begin_s)
        line = f"{day:<12}{100.0 * (row.least_soc or 0.0):>4.0f} %{100.0 * (row.most_soc or 0.0):>4.0f} %"
        line += f"{row.below_h:>10.1f} h"
        if wide:
            line += f"{row.capacity_ah:>9.1f} Ah" if row.capacity_ah is not None else " " * 12
            line += f"{1000.0 * row.ohm:>8.1f}" if row.ohm is not None else ""
        yield terminal.fit(line)


def _ago(kept: KeptStation, begin_s: float) -> str:
    days = int((kept.at_s - begin_s) // DAY_S)
    return "newest" if days == 0 else f"{days} d before"
