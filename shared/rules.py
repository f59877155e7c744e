"""What is watched: every rule is a row, with its limits, what it means and what to do about it.

A rule looks at one fact, a number the service works out each turn. A site changes limits with
[alert.RULE]; `rule_mistakes` tells what cannot be right about such changes, `rules_for` applies them.
The rows stand in files of their own, by what they are about.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

from shared.airtime_rules import AIRTIME_RULES
from shared.bank_rules import BANK_RULES
from shared.charge_rules import CHARGE_RULES
from shared.health_rules import HEALTH_RULES
from shared.heat_rules import AHEAD_RULES, HEAT_RULES
from shared.quantities import QUANTITIES
from shared.rule import Growth as Growth
from shared.rule import Rule as Rule
from shared.rule import Watch as Watch
from shared.service_rules import ANSWERING_TURNS, SERVICE_RULES, SILENT_LEAST_S, SILENT_TURNS
from shared.site import SEVERITIES, AlertChange, Instrument, Site
from shared.wiring import sources

SILENT = "instrument-silent"

_ROWS = (*BANK_RULES, *HEALTH_RULES, *AIRTIME_RULES, *HEAT_RULES, *AHEAD_RULES, *CHARGE_RULES, *SERVICE_RULES)

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
    if rule.chemistries and site.bank.chemistry not in rule.chemistries:
        return
    if rule.per_instrument:
        for instrument in site.instruments.values():
            changed = _changed(_for_instrument(rule, instrument), change)
            yield _watch(rule, changed, instrument.name, _explanations(rule, site, instrument.name, instrument.line))
    elif rule.per_line:
        for line in dict.fromkeys(row.line for row in site.instruments.values() if row.line):
            yield _watch(rule, _changed(rule, change), line, _explanations(rule, site, None, line))
    else:
        changed = _changed(_for_chemistry(rule, site.bank.chemistry), change)
        yield Watch(rule.name, rule.fact, changed, covers=_explanations(rule, site, None, None))


def _watch(rule: Rule, changed: Rule, about: str, covers: tuple[tuple[str, ...], ...]) -> Watch:
    return Watch(f"{rule.name}:{about}", f"{rule.fact}:{about}", changed, about, covers)


def _explanations(rule: Rule, site: Site, instrument: str | None, line: str | None) -> tuple[tuple[str, ...], ...]:
    """The groups of alerts that explain this one: each covering rule, and the silence of what its fact needs."""
    found: list[tuple[str, ...]] = []
    for name in rule.covered_by:
        cover = RULES[name]
        about = instrument if cover.per_instrument else line
        if not (cover.per_instrument or cover.per_line):
            found.append((name,))
        elif about is not None:
            found.append((f"{name}:{about}",))
    known = sources(site)
    for quantity in rule.needs:
        silent = tuple(f"{SILENT}:{name}" for name in known.get(quantity, ()))
        if silent and QUANTITIES[quantity].join == "sum":
            found += [(one,) for one in silent]
        elif silent:
            found.append(silent)
    return tuple(found)


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
        calm_s=rule.calm_s if change.calm_s is None else change.calm_s,
        severity=rule.severity if change.severity is None else change.severity,
    )


def _range_mistakes(rule: Rule, change: AlertChange) -> list[tuple[str, object, str]]:
    mistakes: list[tuple[str, object, str]] = []
    for key, value in (("raise", change.raise_at), ("clear", change.clear_at)):
        if value is not None and not rule.least <= value <= rule.most:
            mistakes.append((f"alert.{rule.name}.{key}", value, f"{rule.least:g} to {rule.most:g} ({rule.unit})"))
    if change.dwell_s is not None and not 0.0 <= change.dwell_s <= 86_400.0:
        mistakes.append((f"alert.{rule.name}.dwell_s", change.dwell_s, "0 to 86400 seconds"))
    if change.calm_s is not None and not 0.0 <= change.calm_s <= 604_800.0:
        mistakes.append((f"alert.{rule.name}.calm_s", change.calm_s, "0 to 604800 seconds"))
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
        of = f" of {watch.instrument}" if watch.instrument else ""
        key, value = ("raise", changed.raise_at) if change.raise_at is not None else ("clear", changed.clear_at)
        allowed = (
            f"clear {side} raise; with this change{of} raise is {changed.raise_at:g} and clear {changed.clear_at:g}: "
            "give both"
        )
        return [(f"alert.{rule.name}.{key}", value, allowed)]
    return []
