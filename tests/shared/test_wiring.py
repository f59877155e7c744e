"""How the bank's own current is formed, and which sites can't have one.

Expected currents are Kirchhoff's current law worked by hand beside each case.
"""

import pytest

from shared.site import Bank, Instrument, Load, Place, Site
from shared.wiring import (
    BANK_LOADS,
    CONTROLLER_COMPUTER,
    CONTROLLER_LOADS,
    FROM_CONTROLLER,
    OWN_LEAD,
    Ends,
    bank_current_plan,
    ends_of_word,
    ends_word,
    mistakes,
    sources,
)

PLACE = Place("Invented Ridge", 45.0, 7.0)
BANK = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
CONTROLLER_GIVES = ("bank_v", "charge_a", "load_a", "panel_a")


def instrument(name: str, *gives: str, **measures: Ends) -> Instrument:
    return Instrument(name, "line", "register-map", 1.0, 1, "map.toml", measures, gives)


def site(*instruments: Instrument, loads: tuple[Load, ...] = (), prefer: dict[str, str] | None = None) -> Site:
    return Site(
        PLACE,
        BANK,
        instruments={i.name: i for i in instruments},
        loads={load.name: load for load in loads},
        prefer=prefer or {},
    )


SHUNT = instrument("shunt", "bank_v", "bank_a", "bank_ah_counter", bank_a=OWN_LEAD)
CONTROLLER = instrument("controller", *CONTROLLER_GIVES)
SECOND = instrument("second", "charge_a", "panel_a")
REPEATER = Load("repeater", 0.13, 1.6, "controller")


def test_a_shunt_in_the_banks_own_lead_is_the_bank_current_whatever_else_is_measured() -> None:
    plan = bank_current_plan(site(CONTROLLER, SHUNT, loads=(Load("radio", 0.1, 1.6, "bank"),)))
    assert (plan.from_shunt, plan.counter_from, plan.steady_a) == ("shunt", "shunt", 0.0)
    assert plan.form({("shunt", "bank_a"): -1.47, ("controller", "charge_a"): 9.0}) == -1.47


def test_a_missing_shunt_value_is_no_current_not_the_controllers() -> None:
    plan = bank_current_plan(site(CONTROLLER, SHUNT))
    assert plan.form({("controller", "charge_a"): 2.0, ("controller", "load_a"): 0.1}) is None


def test_without_a_shunt_all_controllers_are_summed_and_the_loads_taken_off() -> None:
    plan = bank_current_plan(site(CONTROLLER, SECOND, loads=(REPEATER,)))
    latest = {("controller", "charge_a"): 1.5, ("second", "charge_a"): 0.75, ("controller", "load_a"): 0.25}
    assert plan.from_shunt is None
    assert plan.counter_from is None
    assert plan.form(latest) == pytest.approx(2.0)  # 1.5 + 0.75 - 0.25


@pytest.mark.parametrize("gone", [("controller", "charge_a"), ("second", "charge_a"), ("controller", "load_a")])
def test_a_sum_with_a_part_missing_is_not_known(gone: tuple[str, str]) -> None:
    plan = bank_current_plan(site(CONTROLLER, SECOND, loads=(REPEATER,)))
    latest = {("controller", "charge_a"): 1.5, ("second", "charge_a"): 0.75, ("controller", "load_a"): 0.25}
    del latest[gone]
    assert plan.form(latest) is None


def test_a_steady_load_on_the_bank_is_taken_off_and_adds_its_error() -> None:
    plan = bank_current_plan(site(CONTROLLER, loads=(REPEATER, Load("computer", 0.08, None, "bank"))))
    assert plan.form({("controller", "charge_a"): 1.0, ("controller", "load_a"): 0.2}) == pytest.approx(0.72)
    assert plan.steady_a == pytest.approx(0.08)
    assert plan.steady_sigma_a == pytest.approx(0.016)  # a fifth, as said in shared/wiring.py


def test_a_keyed_load_on_the_bank_that_nothing_measures_is_refused() -> None:
    why = mistakes(site(CONTROLLER, loads=(Load("radio", 0.1, 1.6, "bank"),)))
    assert len(why) == 1
    assert "radio" in why[0]
    assert "bank-loads" in why[0]


def test_a_shunt_between_bank_and_loads_stands_for_the_loads_on_the_bank() -> None:
    loads_shunt = instrument("loads-shunt", "bank_a", bank_a=BANK_LOADS)
    plan = bank_current_plan(site(CONTROLLER, loads_shunt, loads=(Load("radio", 0.1, 1.6, "bank"),)))
    # It shows minus the load current: 2.0 from the panel, 0.3 at the controller's output, 1.6 to the radio.
    latest = {("controller", "charge_a"): 2.0, ("controller", "load_a"): 0.3, ("loads-shunt", "bank_a"): -1.6}
    assert plan.form(latest) == pytest.approx(0.1)
    assert "bank_a" not in sources(site(CONTROLLER, loads_shunt))


def test_a_meter_in_the_controllers_wire_has_their_outputs_in_it_already() -> None:
    net = instrument("net", "bank_a", bank_a=FROM_CONTROLLER)
    plan = bank_current_plan(site(CONTROLLER, net, loads=(REPEATER, Load("lamp", 0.05, None, "bank"))))
    latest = {("net", "bank_a"): -0.5, ("controller", "charge_a"): 9.0, ("controller", "load_a"): 9.0}
    assert plan.form(latest) == pytest.approx(-0.55)


def test_a_shunt_at_the_controllers_output_goes_before_the_controllers_own_figure() -> None:
    fine = instrument("fine", "bank_a", bank_a=CONTROLLER_LOADS)
    plan = bank_current_plan(site(CONTROLLER, fine, loads=(REPEATER,)))
    latest = {("controller", "charge_a"): 1.0, ("controller", "load_a"): 5.0, ("fine", "bank_a"): -0.25}
    assert plan.form(latest) == pytest.approx(0.75)


def test_the_computer_counts_where_it_is_wired() -> None:
    at_bank = instrument("computer", "computer_a")
    at_output = instrument("computer", "computer_a", computer_a=CONTROLLER_COMPUTER)
    latest = {("controller", "charge_a"): 1.0, ("controller", "load_a"): 0.2, ("computer", "computer_a"): 0.1}
    assert bank_current_plan(site(CONTROLLER, at_bank)).form(latest) == pytest.approx(0.7)
    assert bank_current_plan(site(CONTROLLER, at_output)).form(latest) == pytest.approx(0.8)


def test_the_estimate_is_stepped_by_what_brings_the_current() -> None:
    net = instrument("net", "bank_a", bank_a=FROM_CONTROLLER)
    assert bank_current_plan(site(CONTROLLER, SHUNT)).pacer == "shunt"
    assert bank_current_plan(site(CONTROLLER, SECOND, loads=(REPEATER,))).pacer == "controller"
    assert bank_current_plan(site(CONTROLLER, net)).pacer == "net"


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        (site(), "no instrument tells the bank current"),
        (site(instrument("thermometer", "bank_c")), "no instrument tells the bank current"),
        (site(instrument("controller", "panel_a", "load_a")), "controller controller gives no charge_a"),
        (site(CONTROLLER, instrument("second", "panel_w")), "controller second gives no charge_a"),
        (site(instrument("controller", "charge_a")), "nothing says what the loads draw"),
        (site(instrument("controller", "charge_a"), loads=(REPEATER,)), "load repeater is wired to the controller"),
        (site(instrument("shunt", "bank_a")), "no instrument tells the bank current"),
    ],
)
def test_what_cant_be_formed_is_refused_with_the_reason(broken: Site, words: str) -> None:
    assert any(words in why for why in mistakes(broken))
    with pytest.raises(ValueError, match=words):
        bank_current_plan(broken)


def test_the_preferred_source_comes_first_and_files_order_otherwise() -> None:
    assert sources(site(CONTROLLER, SHUNT))["bank_v"] == ("controller", "shunt")
    assert sources(site(CONTROLLER, SHUNT, prefer={"bank_v": "shunt"}))["bank_v"] == ("shunt", "controller")


def test_a_shunts_own_counter_goes_before_anothers() -> None:
    other = instrument("other", "bank_a", "bank_ah_counter", bank_a=OWN_LEAD)
    both = site(other, SHUNT, prefer={"bank_a": "shunt"})
    assert (bank_current_plan(both).from_shunt, bank_current_plan(both).counter_from) == ("shunt", "shunt")


@pytest.mark.parametrize("word", ["bank", "controller-bank", "bank-loads", "panel-controller"])
def test_two_places_are_written_as_they_are_read(word: str) -> None:
    ends = ends_of_word(word)
    assert ends is not None
    assert ends_word(ends) == word


@pytest.mark.parametrize("word", ["", "loads", "bank-", "bank-shed", "bank-loads-panel", "Bank"])
def test_what_is_no_two_places_is_none(word: str) -> None:
    assert ends_of_word(word) is None
