"""The station: which value counts when, what steps the estimate, what the rules are told."""

from collections.abc import Mapping

import pytest

from shared.readings import Reading
from shared.site import Bank, Instrument, Load, Place, Site
from shared.station import Station

BANK = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
LEAD = {"bank_a": ("bank", "bank")}


def instrument(
    name: str, *gives: str, every_s: float = 10.0, measures: Mapping[str, tuple[str, str]] = LEAD
) -> Instrument:
    places = {quantity: ends for quantity, ends in measures.items() if quantity in gives}
    return Instrument(name, "line", "register-map", every_s, measures=places, gives=gives)


def site(*rows: Instrument, prefer: Mapping[str, str] | None = None, loads: Mapping[str, Load] | None = None) -> Site:
    return Site(
        Place("Test Ridge", 37.3, -81.1),
        BANK,
        instruments={row.name: row for row in rows},
        prefer=prefer or {},
        loads=loads or {},
    )


SHUNT = instrument("shunt", "bank_v", "bank_a", "bank_ah_counter", every_s=1.0)
WEST = instrument("west", "bank_v", "charge_a", "load_a", "panel_w", "controller_c")
EAST = instrument("east", "charge_a", "panel_w", "controller_c")


class Spy:
    """Stands before the filter and keeps what it was told."""

    def __init__(self, station: Station) -> None:
        self.told: list[tuple[float | None, ...]] = []
        self._filter = station.charge
        station.charge = self  # type: ignore[assignment]

    def step(self, *told: float | None) -> None:
        self.told.append(told)

    def __getattr__(self, name: str) -> object:
        return getattr(self._filter, name)


def test_with_a_shunt_only_its_readings_step_the_estimate_and_the_others_stand_by() -> None:
    station = Station(site(SHUNT, WEST, EAST))
    spy = Spy(station)
    station.take(Reading("west", 1.0, {"bank_v": 13.0, "charge_a": 2.0, "panel_w": 30.0, "controller_c": 31.0}))
    station.take(Reading("east", 2.0, {"charge_a": 1.0, "panel_w": 12.0, "controller_c": 35.0}))
    assert spy.told == []
    station.take(Reading("shunt", 3.0, {"bank_v": 13.1, "bank_a": 2.5, "bank_ah_counter": 0.4}))
    # at_s, bank_v, bank_a, counter, bank_c, controller_c, panel_w, charge_a, load_a: sums add up, load_a was not said
    assert spy.told == [(3.0, 13.1, 2.5, 0.4, None, 31.0, 42.0, 3.0, None)]


def test_a_sum_without_one_of_its_parts_is_not_known() -> None:
    station = Station(site(SHUNT, WEST, EAST))
    station.take(Reading("west", 1.0, {"panel_w": 30.0}))
    assert station.value("panel_w", 1.0) is None
    station.take(Reading("east", 1.0, {"panel_w": 12.0}))
    assert station.value("panel_w", 1.0) == 42.0
    assert station.source_of("panel_w", 4.0) == ("west + east", 3.0)


@pytest.mark.parametrize(
    "spoiled", [Reading("shunt", 4.0, {}, {"bank_v": "99 is outside"}), Reading("shunt", 4.0, {}, {}, ("bank_v",))]
)
def test_a_value_that_is_suspect_or_missing_is_gone_and_another_source_takes_its_place(spoiled: Reading) -> None:
    station = Station(site(SHUNT, WEST))
    spy = Spy(station)
    station.take(Reading("west", 1.0, {"bank_v": 13.0}))
    station.take(Reading("shunt", 2.0, {"bank_v": 13.1}))
    assert station.value("bank_v", 2.0) == 13.1
    station.take(spoiled)
    assert station.value("bank_v", 4.0) == 13.0
    assert spy.told[-1][1] == 13.0


def test_the_only_source_of_a_quantity_keeps_it_until_it_says_otherwise() -> None:
    """The plain case goes without a search; it must tell the filter what the search would."""
    station = Station(site(instrument("file", "bank_v", "bank_a", "bank_c", "panel_w")))
    spy = Spy(station)
    station.take(Reading("file", 0.0, {"bank_v": 13.0, "bank_a": 1.0, "bank_c": 20.0, "panel_w": 5.0}))
    station.take(Reading("file", 1000.0, {"bank_a": 2.0, "bank_c": 21.0}, {}, ("panel_w",)))
    assert spy.told[-1] == (1000.0, 13.0, 2.0, None, 21.0, None, None, None, None)
    assert [station.value(q, 1000.0) for q in ("bank_v", "bank_c", "panel_w")] == [13.0, 21.0, None]


def test_a_value_older_than_three_periods_does_not_count() -> None:
    station = Station(site(instrument("shunt", "bank_v", "bank_a", every_s=60.0)))
    station.take(Reading("shunt", 0.0, {"bank_v": 13.0, "bank_a": 1.0}))
    assert station.value("bank_v", 180.0) == 13.0
    assert station.value("bank_v", 180.1) is None
    assert station.source_of("bank_v", 180.1) is None


def test_the_preferred_instrument_goes_before_the_first_in_the_file() -> None:
    station = Station(site(SHUNT, WEST, prefer={"bank_v": "west"}))
    station.take(Reading("shunt", 1.0, {"bank_v": 13.1, "bank_a": 0.0}))
    station.take(Reading("west", 1.0, {"bank_v": 13.0}))
    assert station.value("bank_v", 1.0) == 13.0


def test_without_a_shunt_the_current_is_formed_from_what_flows_in_and_out() -> None:
    """Kirchhoff: 2 + 1 A from the controllers, 0.5 A to the loads at one of them, leave 2.5 A for the bank."""
    station = Station(site(WEST, EAST))
    spy = Spy(station)
    station.take(Reading("east", 1.0, {"charge_a": 1.0}))
    assert spy.told == []
    station.take(Reading("west", 2.0, {"bank_v": 13.0, "charge_a": 2.0, "load_a": 0.5}))
    assert spy.told[-1][1:4] == (13.0, 2.5, None)
    station.take(Reading("west", 40.0, {"bank_v": 13.0, "charge_a": 2.0, "load_a": 0.5}))
    assert spy.told[-1][2] is None  # the other controller has said nothing for three periods and more


def test_an_estimate_for_the_record_comes_each_ten_seconds() -> None:
    station = Station(site(SHUNT))
    made = [station.take(Reading("shunt", float(s), {"bank_v": 12.7, "bank_a": 0.0})) for s in range(25)]
    assert [row.at_s for row in made if row is not None] == [0.0, 10.0, 20.0]
    assert made[0] is not None and set(made[0].values) == {"soc_frac", "soc_sigma"}


def test_the_rules_are_told_the_hottest_the_silent_and_the_implausible() -> None:
    station = Station(site(SHUNT, WEST, EAST), start_s=5.0)
    assert station.facts(8.0)["share_below_half"] is None
    station.take(Reading("west", 10.0, {"controller_c": 31.0}))
    station.take(Reading("east", 10.0, {"controller_c": 35.0}, {"charge_a": "900 is outside"}))
    facts = station.facts(12.0)
    assert facts["controller_c"] == 35.0
    assert (facts["silent_s:east"], facts["silent_s:shunt"]) == (2.0, 7.0)
    assert facts["suspect_share:shunt"] is None
    assert facts["suspect_share:west"] == 0.0
    assert facts["suspect_share:east"] == pytest.approx(
        1.0 / 20.0
    )  # one of the last twenty, by the module's own length


def test_a_resumed_station_goes_on_as_if_nothing_had_happened() -> None:
    rows = [Reading("shunt", float(s), {"bank_v": 12.6 + s % 7 * 0.01, "bank_a": -0.3}) for s in range(400)]
    one, other = Station(site(SHUNT)), Station(site(SHUNT))
    for row in rows[:200]:
        one.take(row)
    other.resume(one.snapshot())
    for row in rows[200:]:
        one.take(row)
        other.take(row)
    # The lookahead alone loses the five minutes it was in the middle of.
    assert {**one.snapshot(), "ahead": None} == {**other.snapshot(), "ahead": None}


def test_after_a_reboot_nothing_old_counts() -> None:
    station = Station(site(SHUNT))
    station.take(Reading("shunt", 5000.0, {"bank_v": 12.6, "bank_a": -0.3}))
    station.bridge(3.0, 600.0)
    assert station.value("bank_v", 3.0) is None
    assert station.silent_s("shunt", 4.0) == 1.0
    assert station.take(Reading("shunt", 4.0, {"bank_v": 12.6, "bank_a": -0.3})) is not None


def test_a_load_that_nothing_measures_is_counted_as_the_site_file_has_it() -> None:
    beacon = Load("beacon", idle_a=0.2, wired_to="bank")
    station = Station(site(EAST, loads={"beacon": beacon}))
    spy = Spy(station)
    station.take(Reading("east", 1.0, {"charge_a": 1.0}))
    assert spy.told[-1][2] == pytest.approx(0.8)


def test_two_voltmeters_that_disagree_make_the_estimate_less_sure() -> None:
    """Shunt and controller 0.3 V apart in the dark: which one is right nobody knows."""
    controller = Instrument("controller", "l", "register-map", 10.0, 1, "m", {}, ("bank_v", "charge_a", "load_a"))
    sigmas = []
    for apart_v in (0.0, 0.3):
        station = Station(site(SHUNT, controller, prefer={"bank_v": "shunt"}))
        for step in range(6 * 60 * 8):
            at_s = 10.0 * step
            station.take(Reading("controller", at_s, {"bank_v": 12.6 + apart_v, "charge_a": 0.0, "load_a": 0.15}))
            station.take(Reading("shunt", at_s + 0.5, {"bank_v": 12.6 + step % 3 * 0.01, "bank_a": -0.15}))
        sigmas.append(station.charge.soc_sigma)
    assert sigmas[1] > 1.3 * sigmas[0]
