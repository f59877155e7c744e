"""Do the currents close: what the shunt in the bank's own lead shows against what flows in and out beside it.

Kirchhoff's current law at the bank's post. The other side is formed by `shared.wiring` as if the site
had no shunt there, so that both sides come from different instruments.
"""

from collections.abc import Mapping, Sequence
from statistics import median

import attrs
from attrs import frozen

from shared.readings import Reading
from shared.site import Site
from shared.wiring import OWN_LEAD, BankCurrentPlan, bank_current_plan, ends_of, mistakes

# What two instruments of this kind may differ by when both are sound: 4 per cent of the larger current and 0.08 A for
# offsets and digits (common practice, no source). Beside it stands twice the error of draws nothing measures.
SHARE = 0.04
LEAST_A = 0.08
APART_S = 2.0  # readings further apart in time may tell of different loads, unless an instrument is slower itself
PAIRS_LEAST = 2
DARK_A = 0.03  # what a controller may show in the dark
CLOSES, OPEN, REVERSED, UNKNOWN = "closes", "open", "reversed", "unknown"


@frozen
class OtherSide:
    """How the bank current is formed without the shunt in the bank's own lead; `why_not` when it can't be."""

    shunt: str | None
    plan: BankCurrentPlan | None
    why_not: tuple[str, ...] = ()


@frozen
class Closure:
    """The verdict.

    Attributes:
        verdict: closes, open, reversed (it closes with the shunt's sign turned round) or unknown.
        shown_a: median of what the shunt showed, A; None without readings.
        formed_a: median of what the others make of it, A.
        limit_a: by how much they may differ, A.
        sign_proved: whether the sign could not be the other way round.
    """

    verdict: str
    shown_a: float | None = None
    formed_a: float | None = None
    limit_a: float = LEAST_A
    sign_proved: bool = False


def other_side(site: Site) -> OtherSide:
    """Work out how the bank current would be known without the shunt in its own lead."""
    own = bank_current_plan(site).from_shunt
    if own is None:
        return OtherSide(None, None, ("no shunt in the bank's own lead, so there is nothing to compare with",))
    bare = {
        name: attrs.evolve(row, gives=tuple(q for q in row.gives if q not in ("bank_a", "bank_ah_counter")))
        if ends_of(row, "bank_a") == OWN_LEAD
        else row
        for name, row in site.instruments.items()
    }
    rest = attrs.evolve(site, instruments=bare)
    why_not = mistakes(rest)
    return OtherSide(own, None, tuple(why_not)) if why_not else OtherSide(own, bank_current_plan(rest))


def pairs(
    side: OtherSide, seen: Mapping[str, Sequence[Reading]], every_s: Mapping[str, float]
) -> list[tuple[float, float]]:
    """Put what the shunt showed beside what the others made of it at nearly the same time.

    Args:
        side: with a shunt and a plan.
        seen: readings of each instrument.
        every_s: the period of each instrument, s.
    Returns: (shown, formed), A, one for each reading of the plan's first instrument that has its counterparts.
    """
    assert side.shunt is not None and side.plan is not None
    terms = side.plan.charge_from + side.plan.load_from
    found: list[tuple[float, float]] = []
    for reading in seen.get(side.plan.pacer or "", ()):
        latest: dict[tuple[str, str], float] = {}
        for name in {term.instrument for term in terms} | {side.shunt}:
            near = _nearest(seen.get(name, ()), reading.at_s, max(APART_S, every_s.get(name, 0.0)))
            if near is not None:
                latest.update({(name, quantity): value for quantity, value in near.values.items()})
        shown_a, formed_a = latest.get((side.shunt, "bank_a")), side.plan.form(latest)
        if shown_a is not None and formed_a is not None:
            found.append((shown_a, formed_a))
    return found


def _nearest(readings: Sequence[Reading], at_s: float, apart_s: float) -> Reading | None:
    best = min(readings, key=lambda reading: abs(reading.at_s - at_s), default=None)
    return best if best is not None and abs(best.at_s - at_s) <= apart_s else None


def judge(found: Sequence[tuple[float, float]], steady_sigma_a: float = 0.0) -> Closure:
    """Judge pairs of currents, A, (shown, formed); medians, so that one pair astride a keying does no harm.

    Args:
        found: as `pairs` gives them.
        steady_sigma_a: error of the draws that only the site file tells, A.
    """
    if len(found) < PAIRS_LEAST:
        return Closure(UNKNOWN)
    shown_a, formed_a = median(row[0] for row in found), median(row[1] for row in found)
    limit_a = LEAST_A + SHARE * max(abs(shown_a), abs(formed_a)) + 2.0 * steady_sigma_a
    proved = abs(formed_a) > limit_a
    if abs(median(shown - formed for shown, formed in found)) <= limit_a:
        return Closure(CLOSES, shown_a, formed_a, limit_a, proved)
    turned = abs(median(shown + formed for shown, formed in found)) <= limit_a
    return Closure(REVERSED if turned and proved else OPEN, shown_a, formed_a, limit_a, turned and proved)


def charges_in_the_dark(bank_a: float | None, charge_a: float | None, panel_w: float | None) -> bool:
    """Tell whether the bank seems to charge though no panel brings anything, which only a turned sign explains.

    Args:
        bank_a: A, as shown. charge_a: of the controllers, A. panel_w: W. None where not known.
    """
    if bank_a is None or bank_a <= LEAST_A:
        return False
    if charge_a is None and panel_w is None:
        return False
    return (charge_a is None or charge_a < DARK_A) and (panel_w is None or panel_w < 0.5)
