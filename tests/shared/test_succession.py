"""A station that goes on under another site file: what stays true stays known, nothing is raised twice."""

import json

import attrs
import pytest

from shared.readings import Reading
from shared.site import AlertChange, Bank, Instrument, Line, Place, Site
from shared.station import Station

SHUNT = Instrument(
    "shunt", "a", "register-map", 1.0, unit=2, measures={"bank_a": ("bank", "bank")},
    gives=("bank_v", "bank_a", "bank_c"),
)  # fmt: skip
SITE = Site(
    place=Place("Cold Fork Ridge", 37.284, -81.139),
    bank=Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024),
    lines={"a": Line("a", port="/dev/ttyUSB0")},
    instruments={"shunt": SHUNT, "probe": Instrument("probe", "a", "register-map", 10.0, unit=3, gives=("bank_v",))},
    alerts={
        "instrument-silent": AlertChange("instrument-silent", raise_at=1000.0, clear_at=500.0),
        "line-down": AlertChange("line-down", off=True),
    },
)
BOTH = ("shunt", "probe")


def hours_old(site: Site = SITE) -> Station:
    """A station that has seen two hours of a small discharge; its probe never answered."""
    station = Station(site, start_s=1000.0)
    for step in range(7200):
        at_s = 1001.0 + step
        station.take(Reading("shunt", at_s, {"bank_v": 12.6, "bank_a": -0.5, "bank_c": 20.0}))
        if step % 60 == 0:
            station.step_rules(at_s)
    return station


def test_the_same_file_again_changes_nothing() -> None:
    old, new = hours_old(), Station(SITE, start_s=8300.0)
    before, facts = old.snapshot(), old.facts(8300.0)
    assert new.succeed(old, same_devices=BOTH, same_currents=BOTH) == ()
    assert new.snapshot() == before
    assert new.facts(8300.0) == facts
    assert new.step_rules(8301.0) == [], "what stood goes on standing, and is not raised again"
    assert [row.alert for row in new.alerts.standing] == ["instrument-silent:probe"]


def test_a_half_mark_or_a_set_point_is_not_another_bank() -> None:
    old = hours_old()
    site = attrs.evolve(SITE, bank=attrs.evolve(SITE.bank, half_mark=0.6, absorb_v=14.5))
    new, soc_frac = Station(site, start_s=8300.0), old.charge.soc_frac
    assert new.succeed(old, same_devices=BOTH, same_currents=BOTH) == ()
    assert new.charge.soc_frac == soc_frac
    assert new.site.bank.half_mark == 0.6


@pytest.mark.parametrize("change", [{"capacity_ah": 30.0}, {"chemistry": "flooded"}, {"cells": 12}])
def test_another_bank_is_not_known(change: dict[str, object]) -> None:
    old = hours_old()
    old.charge.measured(0.9, 0.01)
    bank = attrs.evolve(SITE.bank, **change)  # type: ignore[arg-type]
    new, fresh = Station(attrs.evolve(SITE, bank=bank), start_s=8300.0), Station(attrs.evolve(SITE, bank=bank))
    assert new.succeed(old, same_devices=BOTH, same_currents=BOTH) == ("bank",)
    assert new.charge.soc_sigma == pytest.approx(fresh.charge.soc_sigma)
    assert new.charge.capacity_ah == fresh.charge.capacity_ah
    new.take(Reading("shunt", 8302.0, {"bank_v": 12.6 * bank.cells / 6, "bank_a": -0.5}))
    assert 0.0 <= new.charge.soc_frac <= 1.0


def test_a_current_read_in_another_way_is_a_shunt_with_an_unknown_offset() -> None:
    old = hours_old()
    new = Station(SITE, start_s=8300.0)
    sigma = old.charge.soc_sigma
    assert new.succeed(old, same_devices=BOTH, same_currents=("probe",)) == ("shunt",)
    assert new.charge.shunt_offset_a == 0.0
    assert new.charge.soc_sigma == pytest.approx(sigma, rel=0.2)


def test_an_instrument_that_is_new_has_its_whole_time_to_answer() -> None:
    old = hours_old()
    names = {**SITE.instruments, "new": Instrument("new", "a", "register-map", 5.0, unit=9, gives=("enclosure_c",))}
    new = Station(attrs.evolve(SITE, instruments=names), start_s=8300.0)
    new.succeed(old, same_devices=BOTH, same_currents=BOTH)
    assert new.silent_s("new", 8310.0) == 10.0
    assert new.silent_s("probe", 8310.0) == 7310.0


def test_an_instrument_that_is_gone_takes_its_alert_with_it() -> None:
    old = hours_old()
    site = attrs.evolve(SITE, instruments={"shunt": SHUNT})
    new = Station(site, start_s=8300.0)
    new.succeed(old, same_devices=("shunt",), same_currents=("shunt",))
    events = new.step_rules(8301.0)
    assert [(event.alert, event.state) for event in events] == [("instrument-silent:probe", "cleared")]


def test_a_restart_with_another_bank_in_the_file_is_like_a_reload() -> None:
    old = hours_old()
    old.charge.measured(0.9, 0.01)
    snapshot = json.loads(json.dumps(old.snapshot()))
    same, other = Station(SITE), Station(attrs.evolve(SITE, bank=attrs.evolve(SITE.bank, capacity_ah=50.0)))
    assert same.resume(snapshot) == ()
    assert other.resume(snapshot) == ("bank",)
    assert same.charge.soc_sigma == old.charge.soc_sigma < 0.1 < other.charge.soc_sigma
