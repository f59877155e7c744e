from dataclasses import fields

import pytest

from shared.rules import RULES, Rule, rule_mistakes, rules_for
from shared.site import SEVERITIES, AlertChange, Bank, Instrument, Place, Site


def make_site(chemistry: str = "agm", **parts: object) -> Site:
    bank = Bank(chemistry, capacity_ah=24.0, cells=6, half_mark=0.5, absorb_v=14.4, float_v=13.7)
    return Site(Place("Cold Fork Ridge", 37.3, -81.1), bank, **parts)  # type: ignore[arg-type]


def changes(*rows: AlertChange) -> dict[str, AlertChange]:
    return {row.rule: row for row in rows}


SHUNT = Instrument("shunt", "rs485", "register-map", every_s=1.0)
CONTROLLER = Instrument("controller", "rs485", "register-map", every_s=10.0)


@pytest.mark.parametrize("rule", RULES.values(), ids=list(RULES))
def test_every_row_is_complete_and_consistent(rule: Rule) -> None:
    for part in fields(Rule):
        assert getattr(rule, part.name) is not None
    assert all((rule.title, rule.meaning, rule.to_do, rule.source, rule.value_name))
    assert rule.kind in ("high", "low")
    assert rule.severity in SEVERITIES
    assert rule.is_ordered()
    assert rule.least <= rule.clear_at <= rule.most
    assert rule.least <= rule.raise_at <= rule.most
    assert not rule.is_calm(rule.raise_at), "a value that raises must not clear as well"


def test_a_site_without_changes_watches_every_rule_and_every_instrument() -> None:
    alerts = {w.alert: w for w in rules_for(make_site(instruments={"shunt": SHUNT, "controller": CONTROLLER}))}
    assert set(alerts) >= {
        "below-half-mark",
        "bank-hot",
        "controller-hot",
        "enclosure-hot",
        "computer-hot",
        "line-down:rs485",
        "instrument-silent:shunt",
        "instrument-silent:controller",
        "reading-implausible:shunt",
        "reading-implausible:controller",
    }
    assert alerts["instrument-silent:controller"].fact == "silent_s:controller"
    assert alerts["reading-implausible:shunt"].instrument == "shunt"
    assert alerts["below-half-mark"].fact == "share_below_half"


def test_the_limit_of_silence_follows_the_period() -> None:
    slow = Instrument("weather", "rs485", "register-map", every_s=60.0)
    alerts = {w.alert: w.rule for w in rules_for(make_site(instruments={"shunt": SHUNT, "weather": slow}))}
    assert alerts["instrument-silent:shunt"].raise_at == 60.0  # never under a minute
    assert alerts["instrument-silent:weather"].raise_at == 720.0  # twelve turns
    assert alerts["instrument-silent:weather"].clear_at > slow.every_s, "one answer a turn must be able to clear it"


def test_a_flooded_bank_may_be_warmer() -> None:
    def limit(chemistry: str) -> float:
        return next(w.rule.raise_at for w in rules_for(make_site(chemistry)) if w.alert == "bank-hot")

    assert limit("flooded") > limit("agm") == limit("lifepo4")


def test_a_change_touches_only_what_it_names() -> None:
    site = make_site(alerts=changes(AlertChange("controller-hot", raise_at=70.0, calm_s=60.0, severity="urgent")))
    rule = next(w.rule for w in rules_for(site) if w.alert == "controller-hot")
    assert (rule.raise_at, rule.calm_s, rule.severity) == (70.0, 60.0, "urgent")
    assert (rule.clear_at, rule.dwell_s) == (RULES["controller-hot"].clear_at, RULES["controller-hot"].dwell_s)


def test_a_rule_switched_off_is_not_watched() -> None:
    site = make_site(alerts=changes(AlertChange("computer-hot", off=True)))
    assert "computer-hot" not in {w.alert for w in rules_for(site)}


def test_all_mistakes_are_told_at_once() -> None:
    site = make_site(
        instruments={"controller": CONTROLLER},
        alerts=changes(
            AlertChange("bank-cosy", raise_at=1.0),
            AlertChange("bank-hot", raise_at=400.0, clear_at=-300.0, dwell_s=-1.0, calm_s=-1.0, severity="loud"),
            AlertChange("controller-hot", raise_at=60.0),
            AlertChange("enclosure-hot", raise_at=50.0, clear_at=45.0),
        ),
    )
    assert [(key, value) for key, value, _ in rule_mistakes(site)] == [
        ("alert.bank-cosy", "bank-cosy"),
        ("alert.bank-hot.raise", 400.0),
        ("alert.bank-hot.clear", -300.0),
        ("alert.bank-hot.dwell_s", -1.0),
        ("alert.bank-hot.calm_s", -1.0),
        ("alert.bank-hot.severity", "loud"),
        ("alert.controller-hot.raise", 60.0),
    ]
    assert "clear not above raise" in rule_mistakes(site)[-1][2]


def test_a_silence_shorter_than_the_turn_is_a_mistake_that_names_the_instrument() -> None:
    site = make_site(
        instruments={"controller": CONTROLLER, "shunt": SHUNT},
        alerts=changes(AlertChange("instrument-silent", raise_at=20.0)),
    )
    ((key, value, allowed),) = rule_mistakes(site)
    assert (key, value) == ("alert.instrument-silent.raise", 20.0)
    assert "controller" in allowed


def test_nan_is_no_limit() -> None:
    site = make_site(alerts=changes(AlertChange("bank-hot", raise_at=float("nan"))))
    assert [key for key, _, _ in rule_mistakes(site)] == ["alert.bank-hot.raise"]


def test_what_explains_an_alert_is_named_by_instrument_and_line() -> None:
    shunt, west, east = (
        Instrument(name, "rs485", "register-map", 1.0, gives=gives)
        for name, gives in (
            ("shunt", ("bank_c",)),
            ("west", ("enclosure_c", "controller_c")),
            ("east", ("enclosure_c", "controller_c")),
        )
    )
    site = make_site(instruments={"shunt": shunt, "west": west, "east": east}, prefer={"enclosure_c": "west"})
    covers = {watch.alert: watch.covers for watch in rules_for(site)}
    assert covers["instrument-silent:west"] == (("line-down:rs485",),)
    assert covers["reading-implausible:west"] == (("instrument-silent:west",), ("line-down:rs485",))
    assert covers["bank-hot"] == (("instrument-silent:shunt",),)
    assert covers["enclosure-hot"] == (("instrument-silent:west", "instrument-silent:east"),), "only both explain it"


def test_no_alert_can_explain_itself_over_any_detour() -> None:
    below: dict[str, set[str]] = {name: set(rule.covered_by) for name, rule in RULES.items()}
    for name, rule in RULES.items():
        assert below[name] <= set(RULES), name
        if rule.needs:
            below[name].add("instrument-silent")
    for name in RULES:
        seen, next_ones = set(), below[name]
        while next_ones:
            seen |= next_ones
            next_ones = set().union(*(below[one] for one in next_ones)) - seen
        assert name not in seen
