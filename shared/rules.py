"""What is watched: every rule is a row, with its limits, what it means and what to do about it.

A rule looks at one fact, a number the service works out each turn. A site changes limits with
[alert.RULE]; `rule_mistakes` tells what cannot be right about such changes, `rules_for` applies them.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from shared.site import SEVERITIES, AlertChange, Instrument, Site

_NOTHING: Mapping[str, tuple[float, float]] = MappingProxyType({})
SILENT_TURNS = 12.0  # periods without an answer that are silence, and not below a minute
SILENT_LEAST_S = 60.0
ANSWERING_TURNS = 3.0  # an answer younger than this many periods ends the silence


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing that is watched.

    Attributes:
        name: the rule's name in [alert.NAME].
        fact: the number it looks at; for a rule per instrument ":INSTRUMENT" is added.
        kind: "high" raises at and above `raise_at` and clears below `clear_at`; "low" raises at and below
            `raise_at` and clears above `clear_at`.
        raise_at, clear_at: limits, in `unit`.
        dwell_s: how long the value must be past `raise_at` before the alert is raised, s.
        severity: advice, act or urgent.
        unit: "share" (0 to 1), "C" or "s".
        least, most: the range a site may set the limits in.
        title: the alert in a few words.
        value_name: what the number is, as it is written before a value.
        meaning, to_do: one sentence or two for the person who gets the notice.
        touches: what a person who acts on it comes near; chooses the cautions.
        source: where the default limits come from.
        per_instrument: one alert for each instrument.
        calm_s: how long the value must be past `clear_at` before the alert is cleared, s.
        by_chemistry: (raise_at, clear_at) where a chemistry needs others.
    """

    name: str
    fact: str
    kind: str
    raise_at: float
    clear_at: float
    dwell_s: float
    severity: str
    unit: str
    least: float
    most: float
    title: str
    value_name: str
    meaning: str
    to_do: str
    source: str
    touches: tuple[str, ...] = ()
    per_instrument: bool = False
    calm_s: float = 0.0
    by_chemistry: Mapping[str, tuple[float, float]] = field(default_factory=lambda: _NOTHING)

    def is_past(self, value: float) -> bool:
        """Tell whether the value is at or past the limit that raises."""
        return value >= self.raise_at if self.kind == "high" else value <= self.raise_at

    def is_calm(self, value: float) -> bool:
        """Tell whether the value is beyond the limit that clears."""
        return value < self.clear_at if self.kind == "high" else value > self.clear_at

    def is_ordered(self) -> bool:
        """Tell whether the clearing limit lies on the calm side of the raising one."""
        return self.clear_at <= self.raise_at if self.kind == "high" else self.clear_at >= self.raise_at


@dataclass(frozen=True, slots=True)
class Watch:
    """A rule as one site uses it: the name of its alert, and the fact it looks at."""

    alert: str
    fact: str
    rule: Rule
    instrument: str | None = None


_ROWS = (
    Rule(
        name="below-half-mark",
        fact="share_below_half",
        kind="high",
        raise_at=0.5,
        clear_at=0.2,
        dwell_s=600.0,
        severity="urgent",
        unit="share",
        least=0.01,
        most=0.99,
        title="bank below its half mark",
        value_name="chance that the bank is below its half mark",
        meaning="The bank has less charge left than its half mark. Lead-acid loses life with each such night, "
        "and the reserve for the coming dark days is gone.",
        to_do="Cut the load: shorten long transmissions, lower the power, switch off what is not needed. Look at "
        "the panel and charge readings of the last days: snow, shade, a blown fuse or a load that should not be "
        "there. Charge by another source when the weather stays dark.",
        source="at least as likely below as above; the calm limit and dwell are common practice, no source",
        touches=("site", "bank"),
    ),
    Rule(
        name="bank-hot",
        fact="bank_c",
        kind="high",
        raise_at=45.0,
        clear_at=40.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=80.0,
        title="bank too hot",
        value_name="bank temperature",
        meaning="Heat ages the bank fast: lead-acid life halves for each 8 to 10 K above 20 to 25 C, lithium should "
        "not be charged this hot. A bank that warms up without sun on it may be failing.",
        to_do="Compare with the enclosure: if the bank alone is hot, stop charging it (from afar if you can) and keep "
        "away until it has cooled. Give shade and air; check the charger's voltage and its temperature probe.",
        source="life halves per 8 to 10 K (trade figure for sealed lead-acid), a quarter is left at 45 C; lithium "
        "charge limit 45 to 55 C from cell sheets, from memory; flooded 50 C common practice, no source",
        touches=("site", "bank"),
        by_chemistry=MappingProxyType({"flooded": (50.0, 45.0)}),
    ),
    Rule(
        name="controller-hot",
        fact="controller_c",
        kind="high",
        raise_at=75.0,
        clear_at=65.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=120.0,
        title="charge controller too hot",
        value_name="controller temperature",
        meaning="A controller this hot charges less than the sun gives, and wears out. A loose terminal heats it too.",
        to_do="Look for a loose or corroded terminal, blocked cooling fins, sun on the box. With panel and bank "
        "disconnected in the order its manual gives, tighten what is loose.",
        source="common practice, no source",
        touches=("site", "bank"),
    ),
    Rule(
        name="enclosure-hot",
        fact="enclosure_c",
        kind="high",
        raise_at=55.0,
        clear_at=50.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=100.0,
        title="enclosure too hot",
        value_name="enclosure temperature",
        meaning="All that is inside ages, and commercial parts are made for up to 70 C at the part itself, which is "
        "warmer than the air around it.",
        to_do="Give shade and a way for warm air to get out. Lower the transmitter's power or its time on the air "
        "until it has cooled.",
        source="commercial temperature range 0 to 70 C, from memory, less 15 K for self-heating; common practice",
        touches=("site",),
    ),
    Rule(
        name="computer-hot",
        fact="computer_c",
        kind="high",
        raise_at=80.0,
        clear_at=70.0,
        dwell_s=300.0,
        severity="act",
        unit="C",
        least=20.0,
        most=120.0,
        title="monitoring computer too hot",
        value_name="computer temperature",
        meaning="The computer that keeps this watch is about to slow down, and may stop.",
        to_do="See whether the whole enclosure is hot; if not, its cooling is blocked or it is busy with something "
        "that should not run.",
        source="small computers begin to slow near 80 to 85 C, from memory",
        touches=("site",),
    ),
    Rule(
        name="instrument-silent",
        fact="silent_s",
        kind="high",
        raise_at=SILENT_LEAST_S,
        clear_at=SILENT_LEAST_S / 4.0,
        dwell_s=0.0,
        severity="act",
        unit="s",
        least=5.0,
        most=604_800.0,
        title="instrument does not answer",
        value_name="time without an answer",
        meaning="What this instrument measures is not known now; estimates that need it grow wider by the hour.",
        to_do="Look at `halfmark status`: one silent instrument points to its plug, its supply or its address, all of "
        "one line to the adapter or the cable.",
        source="twelve missed turns, at least a minute; common practice, no source",
        touches=("site",),
        per_instrument=True,
        calm_s=30.0,
    ),
    Rule(
        name="reading-implausible",
        fact="suspect_share",
        kind="high",
        raise_at=0.2,
        clear_at=0.05,
        dwell_s=300.0,
        severity="act",
        unit="share",
        least=0.001,
        most=1.0,
        title="readings that cannot be true",
        value_name="share of recent readings that cannot be true",
        meaning="The instrument answers, but with values no such site can have; they are kept out of all estimates.",
        to_do="Check its register map against the manual, its earth and cable shield, and whether a transmitter "
        "close by disturbs it (do they come with the keying?).",
        source="common practice, no source",
        touches=("site",),
        per_instrument=True,
    ),
)

RULES: Mapping[str, Rule] = MappingProxyType({row.name: row for row in _ROWS})


def rules_for(site: Site) -> tuple[Watch, ...]:
    """Give what is watched at this site: defaults for its chemistry, changed as its file says.

    Rules that are switched off are left out. Call `rule_mistakes` first: changes are not checked here.
    """
    return tuple(
        watch
        for rule in RULES.values()
        for watch in _watches(rule, site)
        if not (rule.name in site.alerts and site.alerts[rule.name].off)
    )


def rule_mistakes(site: Site) -> list[tuple[str, object, str]]:
    """Tell what is wrong with the site's [alert.RULE] changes, all at once.

    Returns: (key path, value, what is allowed) for each mistake; empty when all is right.
    """
    mistakes: list[tuple[str, object, str]] = []
    for name, change in site.alerts.items():
        if name not in RULES:
            mistakes.append((f"alert.{name}", name, "one of " + ", ".join(sorted(RULES))))
            continue
        mistakes += _range_mistakes(RULES[name], change) or _order_mistakes(RULES[name], change, site)
    return mistakes


def _watches(rule: Rule, site: Site) -> Iterator[Watch]:
    change = site.alerts.get(rule.name)
    if not rule.per_instrument:
        yield Watch(rule.name, rule.fact, _changed(_for_chemistry(rule, site.bank.chemistry), change))
        return
    for instrument in site.instruments.values():
        alert = f"{rule.name}:{instrument.name}"
        fact = f"{rule.fact}:{instrument.name}"
        yield Watch(alert, fact, _changed(_for_instrument(rule, instrument), change), instrument.name)


def _for_chemistry(rule: Rule, chemistry: str) -> Rule:
    if chemistry not in rule.by_chemistry:
        return rule
    raise_at, clear_at = rule.by_chemistry[chemistry]
    return replace(rule, raise_at=raise_at, clear_at=clear_at)


def _for_instrument(rule: Rule, instrument: Instrument) -> Rule:
    if rule.fact != "silent_s":
        return rule
    raise_s = max(SILENT_LEAST_S, SILENT_TURNS * instrument.every_s)
    return replace(rule, raise_at=raise_s, clear_at=max(SILENT_LEAST_S / 4.0, ANSWERING_TURNS * instrument.every_s))


def _changed(rule: Rule, change: AlertChange | None) -> Rule:
    if change is None:
        return rule
    return replace(
        rule,
        raise_at=rule.raise_at if change.raise_at is None else change.raise_at,
        clear_at=rule.clear_at if change.clear_at is None else change.clear_at,
        dwell_s=rule.dwell_s if change.dwell_s is None else change.dwell_s,
        severity=rule.severity if change.severity is None else change.severity,
    )


def _range_mistakes(rule: Rule, change: AlertChange) -> list[tuple[str, object, str]]:
    mistakes: list[tuple[str, object, str]] = []
    for key, value in (("raise", change.raise_at), ("clear", change.clear_at)):
        if value is not None and not rule.least <= value <= rule.most:
            mistakes.append((f"alert.{rule.name}.{key}", value, f"{rule.least:g} to {rule.most:g} ({rule.unit})"))
    if change.dwell_s is not None and not 0.0 <= change.dwell_s <= 86_400.0:
        mistakes.append((f"alert.{rule.name}.dwell_s", change.dwell_s, "0 to 86400 seconds"))
    if change.severity is not None and change.severity not in SEVERITIES:
        mistakes.append((f"alert.{rule.name}.severity", change.severity, "one of " + ", ".join(SEVERITIES)))
    return mistakes


def _order_mistakes(rule: Rule, change: AlertChange, site: Site) -> list[tuple[str, object, str]]:
    if change.raise_at is None and change.clear_at is None:
        return []
    for watch in _watches(rule, site):
        changed = watch.rule
        if changed.is_ordered():
            continue
        side = "not above" if changed.kind == "high" else "not below"
        of = f" of instrument {watch.instrument}" if watch.instrument else ""
        key, value = ("raise", changed.raise_at) if change.raise_at is not None else ("clear", changed.clear_at)
        allowed = (
            f"clear {side} raise; with this change{of} raise is {changed.raise_at:g} and clear {changed.clear_at:g}: "
            "give both"
        )
        return [(f"alert.{rule.name}.{key}", value, allowed)]
    return []
