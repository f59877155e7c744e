"""The steps of a commissioning, as a table: what to do, what is measured, how it is judged.

The limits are common practice for a small site, no source. A step that is found wrong hinders nothing:
it is told, it stands on the sheet, and can be done again.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from attrs import frozen

from daemon.commissioning.findings import DONE, UNSURE, WRONG
from daemon.commissioning.samples import mean, middle, noise
from daemon.live_check import closure_of, how_to_turn, instrument_findings
from daemon.live_look import LiveLook
from shared.closure import CLOSES, DARK_A, UNKNOWN, other_side
from shared.site import Load, Site

ORDER = (
    "Off: the panel first, then the loads, the bank's fuse last. On again: the bank first, then the loads, the panel "
    "last: many controllers are harmed by a panel without a bank."
)
BANK = (
    "A bank can weld and burn: rings off, tools insulated, eyes covered, never bridge its posts. Lithium is never "
    "charged below freezing."
)
RADIO = (
    "Transmit only under your own licence, on a free frequency, and identify. Nobody near the antenna or on the tower. "
    "Antenna or dummy load connected before you key."
)
ALONE = "Never alone on the hill; not in a storm, on ice, or in the dark. Halfmark replaces no fuse and no disconnect."

ZERO_LEAST_A, ZERO_SHARE = 0.05, 0.002  # offset that is still good: A, and A for each Ah of the bank
NOISE_MOST_A = 0.03
SEEN_LEAST_A = 0.03  # a load or a charge smaller than this is not seen for sure
KEY_SHARE, KEY_LEAST_A = 0.15, 0.05  # by how much a transmit current may differ from the file's
RISE_LEAST_A = 0.10  # what the sun must add
POWER_LEAST, POWER_MOST = 0.60, 1.06  # of a controller: out over in
SET_POINT_V = 0.1  # for six cells


class Desk(Protocol):
    """What a step may use."""

    @property
    def site(self) -> Site:
        """As configured."""

    def clock(self) -> Mapping[str, object]:
        """How far the clock is trusted, as the service tells it."""

    def try_ways(self) -> tuple[int, str] | None:
        """Send a test notice by every way out: exit code and what was told; None when there is none."""

    def figure(self, step: str, name: str) -> float | None:
        """A figure an earlier step of this commissioning found, if that step was as it should be."""


@frozen
class Verdict:
    """What a step came to."""

    outcome: str
    words: str
    figures: Mapping[str, float]


@frozen
class Phase:
    """Something to do, after which the site may be measured.

    Attributes:
        do: what the person does.
        measure_s: for how long it is measured at least, s; 0 and no answers: not at all.
        answers: how many answers of the slowest instrument are waited for besides.
    """

    do: str
    measure_s: float = 0.0
    answers: int = 0


@frozen
class Question:
    """A number the person reads off something; leaving it empty is allowed."""

    name: str
    words: str


@frozen
class Step:
    """One step of the table.

    Attributes:
        name: in the record.
        title: for people.
        cautions: what can hurt.
        phases: what to do, in order.
        questions: asked after the last phase.
        judge: from the desk, one look a phase, and the answers.
        needless: why this site has no use for it, or None.
    """

    name: str
    title: str
    phases: tuple[Phase, ...]
    judge: Callable[[Desk, Sequence[LiveLook], Mapping[str, float]], Verdict]
    cautions: tuple[str, ...] = ()
    questions: tuple[Question, ...] = ()
    needless: Callable[[Site], str | None] = lambda site: None


def _verdict(good: bool | None, words: str, **figures: float | None) -> Verdict:
    outcome = UNSURE if good is None else DONE if good else WRONG
    return Verdict(outcome, words, {name: value for name, value in figures.items() if value is not None})


def _sun(site: Site, look: LiveLook) -> str | None:
    """Why a step that needs darkness can't be judged, or None."""
    charge_a = mean(site, look, "charge_a")
    if charge_a is None or charge_a < DARK_A:
        return None
    return f"the panel still brings {charge_a:.2f} A: cover it, or open its switch, then again"


# -- judging -----------------------------------------------------------------------------------


def judge_clock(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """Whether anybody vouches for the time."""
    told = desk.clock()
    if told.get("trusted") is True:
        return _verdict(True, f"the clock is trusted, by the {told.get('source')}")
    return _verdict(False, "no clock is trusted; if this machine's is right: halfmark clock now")


def judge_instruments(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """Whether every instrument answers."""
    found = list(instrument_findings(desk.site, looks[0]))
    wrong = [finding.words for finding in found if finding.good is False]
    return _verdict(not wrong, "; ".join(wrong) or f"all {len(found)} instruments answer")


def judge_zero(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """What the shunt shows when nothing flows."""
    site, look = desk.site, looks[0]
    shown_a, noise_a = mean(site, look, "bank_a"), noise(site, look, "bank_a")
    if shown_a is None or noise_a is None:
        return _verdict(None, "too few readings of the bank current")
    if (sun := _sun(site, look)) is not None:
        return _verdict(None, sun)
    offset_a = shown_a + answers.get("stays_a", 0.0)
    most_a = max(ZERO_LEAST_A, ZERO_SHARE * site.bank.capacity_ah)
    good = abs(offset_a) <= most_a and noise_a <= NOISE_MOST_A
    advice = "the filter learns the rest" if good else "did something stay on? Else set the shunt's own zero"
    words = f"offset {1000 * offset_a:+.0f} mA, noise {1000 * noise_a:.0f} mA, good up to {1000 * most_a:.0f} and "
    return _verdict(good, f"{words}{1000 * NOISE_MOST_A:.0f}: {advice}", offset_a=offset_a, noise_a=noise_a)


def judge_sign(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """Whether a load makes the bank current fall below zero."""
    site = desk.site
    shown_a, shunt = mean(site, looks[0], "bank_a"), other_side(site).shunt
    if shown_a is None or shunt is None:
        return _verdict(None, "no bank current came")
    if (sun := _sun(site, looks[0])) is not None:
        return _verdict(None, sun)
    drawn_a = (desk.figure("shunt-zero", "offset_a") or 0.0) - shown_a
    least_a = max(SEEN_LEAST_A, 3.0 * (desk.figure("shunt-zero", "noise_a") or 0.0))
    if drawn_a > least_a and shown_a < 0.0:
        return _verdict(True, f"the loads draw {drawn_a:.2f} A, and the bank current falls below zero", drawn_a=drawn_a)
    if drawn_a < -least_a:
        return _verdict(
            False, f"the bank current RISES by {-drawn_a:.2f} A under load: {how_to_turn(site, shunt)}", drawn_a=drawn_a
        )
    return _verdict(None, f"no load is seen ({drawn_a:+.3f} A): is it on, and does its wire pass the shunt?")


def judge_key(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """What keying adds to the draw, against the site file."""
    site = desk.site
    before, keyed = (middle(site, look, "bank_a") for look in looks)
    radios = keyed_loads(site)
    if before is None or keyed is None or not radios:
        return _verdict(None, "too few readings of the bank current")
    added_a = before - keyed
    idle_a = mean(site, looks[0], "load_a")
    if added_a < SEEN_LEAST_A:
        return _verdict(None, f"no transmission is seen ({added_a:+.2f} A): was it keyed all the while?")
    radio = min(radios, key=lambda load: abs(_adds(load) - added_a))
    good = abs(added_a - _adds(radio)) <= KEY_LEAST_A + KEY_SHARE * _adds(radio)
    words = f"keying adds {added_a:.2f} A; [load.{radio.name}] says {_adds(radio):.2f} A"
    if idle_a is not None:
        words += f"; idle {idle_a:.2f} A, the file says {sum(load.idle_a for load in site.loads.values()):.2f} A"
    advice = "" if good else f". Set transmit_a = {radio.idle_a + added_a:.2f} if this is right"
    return _verdict(good, words + advice, added_a=added_a, idle_a=idle_a)


def keyed_loads(site: Site) -> list[Load]:
    """The loads that transmit."""
    return [load for load in site.loads.values() if load.transmit_a is not None]


def _adds(load: Load) -> float:
    return (load.transmit_a or 0.0) - load.idle_a


def judge_panel(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """Whether the sun's current gets from panel through controller into the bank."""
    site = desk.site
    covered, open_ = looks
    quantity = "charge_a" if mean(site, open_, "charge_a") is not None else "bank_a"
    dark_a, lit_a = mean(site, covered, quantity), mean(site, open_, quantity)
    if dark_a is None or lit_a is None:
        return _verdict(None, "no current tells of charging")
    rise_a = lit_a - dark_a
    share = _through(site, open_)
    closure = closure_of(site, open_, other_side(site))
    faults = []
    if rise_a < RISE_LEAST_A:
        faults.append("the sun adds too little: fuse, polarity, a bank that is full?")
    if share is not None and not POWER_LEAST <= share <= POWER_MOST:
        faults.append("panel and controller do not tell of the same power")
    if closure.verdict not in (CLOSES, UNKNOWN):
        faults.append(
            f"what the controller charges does not reach the bank: shunt {closure.shown_a:+.2f} A, "
            f"by the others {closure.formed_a:+.2f} A"
        )
    words = f"uncovered, {quantity} rises by {rise_a:.2f} A"
    words += "" if share is None else f"; {100 * share:.0f} % of the panel's power come out of the controller"
    words += "; panel, controller and bank close" if closure.verdict == CLOSES else ""
    return _verdict(not faults, "; ".join([words, *faults]), rise_a=rise_a, share=share)


def _through(site: Site, look: LiveLook) -> float | None:
    """Power out of the controllers over power into them; None where not known."""
    panel_w, charge_a, bank_v = (mean(site, look, quantity) for quantity in ("panel_w", "charge_a", "bank_v"))
    if panel_w is None or charge_a is None or bank_v is None or panel_w < 1.0:
        return None
    return charge_a * bank_v / panel_w


def judge_set_points(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """The charger's own settings against the site file."""
    bank = desk.site.bank
    near_v = SET_POINT_V * bank.cells / 6.0
    wanted = {"absorb_v": bank.absorb_v, "float_v": bank.float_v}
    known = {name: volts for name, volts in wanted.items() if name in answers}
    if not known:
        return _verdict(None, "no set-point was told")
    off = [
        f"{name} is {answers[name]:.2f} V, the site file says {volts:.2f} V"
        for name, volts in known.items()
        if abs(answers[name] - volts) > near_v
    ]
    told = ", ".join(f"{name} {answers[name]:.2f} V" for name in known)
    words = "; ".join(off) + ": correct the charger or the file" if off else f"{told}, as in the site file"
    return _verdict(not off, words, **{name: answers[name] for name in known})


def judge_ways(desk: Desk, looks: Sequence[LiveLook], answers: Mapping[str, float]) -> Verdict:
    """Whether a test notice left by every way."""
    tried = desk.try_ways()
    if tried is None:
        return _verdict(None, "the site file names no way out: notices stay in this machine's journal")
    code, told = tried
    return _verdict(code == 0, " ".join(told.split())[:400])


def _no_radio(site: Site) -> str | None:
    return None if keyed_loads(site) else "no load of the site file has a transmit_a"


def _no_shunt(site: Site) -> str | None:
    return None if other_side(site).shunt is not None else "no shunt in the bank's own lead"


STEPS: tuple[Step, ...] = (
    Step("clock", "The clock", (), judge_clock),
    Step("instruments", "Every instrument answers", (Phase("Nothing to do but wait.", 3.0, 2),), judge_instruments),
    Step(
        "shunt-zero",
        "The shunt's zero",
        (
            Phase(
                "Cover the panel or open its switch, then switch every load off, so that nothing flows through the "
                "shunt.",
                20.0,
            ),
        ),
        judge_zero,
        (BANK, ORDER),
        (Question("stays_a", "Draw of what stayed on, such as this computer, in A (Enter: nothing)"),),
        _no_shunt,
    ),
    Step(
        "sign",
        "The sign of the bank current",
        (Phase("Panel still covered or off. Switch the loads on, the radio too, not keyed.", 10.0),),
        judge_sign,
        (ORDER,),
        needless=_no_shunt,
    ),
    Step(
        "key",
        "Key the radio for 10 s",
        (
            Phase("Panel still covered or off, the radio on and listening.", 8.0),
            Phase("Listen first. Key the radio, say so with Enter at once, and hold it for 10 s.", 8.0),
        ),
        judge_key,
        (RADIO,),
        needless=lambda site: _no_radio(site) or _no_shunt(site),
    ),
    Step(
        "panel",
        "The panel, near noon",
        (
            Phase("With the sun on it: cover the panel, wait a minute.", 5.0, 2),
            Phase("Uncover it, wait a minute until the controller charges again.", 8.0, 3),
        ),
        judge_panel,
        (BANK, "A panel in the sun is always live: it can't be switched off, only covered or disconnected."),
    ),
    Step(
        "set-points",
        "The charger's set-points",
        (Phase("Read the charger's settings off its display, or off its sheet: at 25 C, for the whole bank."),),
        judge_set_points,
        (BANK,),
        (
            Question("absorb_v", "Absorption set-point, V (Enter: not known)"),
            Question("float_v", "Float set-point, V (Enter: not known)"),
        ),
    ),
    Step(
        "ways-out",
        "Every way out, once",
        (Phase("A test notice goes to everybody the site file names. Tell them before."),),
        judge_ways,
    ),
)
