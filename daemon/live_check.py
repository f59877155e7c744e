"""`halfmark check --live`: does every instrument answer, do the currents close, is the sign right."""

import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TextIO

from attrs import frozen

from daemon.configuration import load_maps, load_site
from daemon.live_look import LiveLook, look, look_time_s
from daemon.screens.lettering import clean, wrap
from shared.closure import (
    CLOSES,
    LEAST_A,
    OPEN,
    REVERSED,
    Closure,
    OtherSide,
    charges_in_the_dark,
    judge,
    other_side,
    pairs,
)
from shared.quantities import QUANTITIES
from shared.site import Site
from shared.wiring import sources

DONE, ANSWER_IS_NO = 0, 1
COLUMNS = 79
QUESTION = "Is the bank charged (c) or drained (d) just now? Enter if you can't tell: "


@frozen
class Finding:
    """One thing that was looked at: `good` is None when it can't be told."""

    good: bool | None
    words: str


def run_live_check(path: Path, *, runtime: Path, out: TextIO, ask_person: Callable[[str], str] | None = None) -> int:
    """Look at the site as it is now, and tell what is right and what is not.

    Args:
        path: the site file; its mistakes are told by the plain check.
        runtime: folder of the service's socket.
        out: where to write.
        ask_person: puts a question to whoever sits there; None when nobody does.
    Returns: 0 when nothing is wrong, 1 when something is.
    """
    site = load_site(path)
    out.write(f"looking at {len(site.instruments)} instruments, up to {look_time_s(site):.0f} s ...\n")
    out.flush()
    seen = look(site, runtime)
    where = "through the running service" if seen.source == "service" else "straight at the lines; no service runs"
    out.write(f"looked {where}\n\n")
    wrong = False
    for finding in (*instrument_findings(site, seen), *current_findings(site, seen, ask_person)):
        mark = {True: "[ok]", False: "[NO]", None: "[??]"}[finding.good]
        first, *rest = wrap(finding.words, COLUMNS - 5)
        out.write("\n     ".join([f"{mark} {first}", *rest]) + "\n")
        wrong = wrong or finding.good is False
    return ANSWER_IS_NO if wrong else DONE


def person_at_terminal() -> Callable[[str], str] | None:
    """Who can be asked: whoever sits at the terminal, or nobody."""
    return input if sys.stdin.isatty() and sys.stdout.isatty() else None


def instrument_findings(site: Site, seen: LiveLook) -> Iterator[Finding]:
    """Tell of each instrument whether it answers, and what."""
    for name, row in site.instruments.items():
        readings = seen.seen.get(name)
        if not readings:
            why = clean(seen.why_silent.get(name, "nothing came in the time it has"))
            yield Finding(False, f"{name} on {row.line} does not answer: {why}")
            continue
        last = readings[-1]
        values = ", ".join(f"{q} {v:g} {QUANTITIES[q].unit}".rstrip() for q, v in last.values.items())
        doubts = "; ".join(f"{quantity} can't be true: {clean(why)}" for quantity, why in last.suspect.items())
        lacking = f"; not available: {', '.join(last.missing)}" if last.missing else ""
        yield Finding(not last.suspect, f"{name} answers: {values}{'; ' + doubts if doubts else ''}{lacking}")


def current_findings(site: Site, seen: LiveLook, ask_person: Callable[[str], str] | None) -> Iterator[Finding]:
    """Tell whether the currents close at the bank, and whether the sign of its current can be trusted."""
    side = other_side(site)
    if side.shunt is None:
        yield Finding(None, "currents: " + "; ".join(side.why_not))
        return
    closure = closure_of(site, seen, side)
    if side.plan is None:
        yield Finding(None, "currents can't be compared: " + "; ".join(side.why_not))
    elif closure.shown_a is None or closure.formed_a is None:
        yield Finding(None, "currents can't be compared: too few answers came close enough together")
    else:
        yield _closure_finding(closure, closure.shown_a, closure.formed_a)
    yield _sign_finding(site, seen, side.shunt, closure, ask_person)


def closure_of(site: Site, seen: LiveLook, side: OtherSide) -> Closure:
    """Judge the currents of a look."""
    if side.plan is None:
        return judge(())
    every_s = {name: row.every_s for name, row in site.instruments.items()}
    return judge(pairs(side, seen.seen, every_s), side.plan.steady_sigma_a)


def _closure_finding(closure: Closure, shown_a: float, formed_a: float) -> Finding:
    figures = f"shunt {shown_a:+.2f} A, by the others {formed_a:+.2f} A, may differ by {closure.limit_a:.2f} A"
    if closure.verdict == CLOSES:
        return Finding(True, f"currents close: {figures}")
    if closure.verdict == REVERSED:
        return Finding(False, f"currents close only with the shunt turned round: {figures}")
    assert closure.verdict == OPEN
    return Finding(
        False,
        f"currents do not close: {figures}. A load the file does not know, a wire past the shunt, a wrong scale, "
        "or a load that was switched meanwhile: look again before believing it",
    )


def _sign_finding(
    site: Site, seen: LiveLook, shunt: str, closure: Closure, ask_person: Callable[[str], str] | None
) -> Finding:
    bank_a = latest(site, seen, "bank_a")
    in_the_dark = charges_in_the_dark(bank_a, latest(site, seen, "charge_a"), latest(site, seen, "panel_w"))
    if closure.verdict == REVERSED or (in_the_dark and not closure.sign_proved):
        why = "it shows the bank charging though no panel brings anything" if in_the_dark else "it is turned round"
        return Finding(False, f"sign of the bank current: {why}. {how_to_turn(site, shunt)}")
    if closure.verdict == CLOSES and closure.sign_proved:
        return Finding(True, "sign of the bank current: proved, charging is above zero")
    if bank_a is None or abs(bank_a) <= LEAST_A:
        return Finding(None, "sign of the bank current: not proved, too little flows; look again under load or sun")
    if ask_person is None:
        return Finding(None, f"sign of the bank current: not proved. {bank_a:+.2f} A must mean charging above zero")
    said = ask_person(f"The bank current shows {bank_a:+.2f} A. {QUESTION}").strip().lower()[:1]
    if said not in ("c", "d"):
        return Finding(None, "sign of the bank current: not proved")
    if (said == "c") == (bank_a > 0.0):
        return Finding(True, "sign of the bank current: as you say, charging is above zero")
    return Finding(False, f"sign of the bank current: turned round, by what you say. {how_to_turn(site, shunt)}")


def how_to_turn(site: Site, shunt: str) -> str:
    """What to do about a sign that is the wrong way round."""
    file = site.instruments[shunt].map or "its map"
    scales = ", ".join(f"{q} scale = {-s:g} (now {s:g})" for q, s in _scales(site, shunt).items())
    return f"Turn it in {file}: {scales or 'scale = -... of its currents'}; then: halfmark reload"


def _scales(site: Site, shunt: str) -> Mapping[str, float]:
    found = load_maps(site).get(shunt)
    rows = ((point.quantity, getattr(point, "scale", None)) for point in (found.points if found else ()))
    return {q: float(s) for q, s in rows if q in ("bank_a", "bank_ah_counter") and isinstance(s, int | float)}


def latest(site: Site, seen: LiveLook, quantity: str) -> float | None:
    """The newest value of a quantity: summed, or from its preferred instrument; None when not known."""
    names = sources(site).get(quantity, ())
    values = [seen.seen[name][-1].values.get(quantity) if seen.seen.get(name) else None for name in names]
    known = [value for value in values if value is not None]
    if QUANTITIES[quantity].join == "sum":
        return sum(known) if known and len(known) == len(values) else None
    return known[0] if known else None
