"""The station keeps airtime and health: over a cut, a changed part, another site file, a reboot."""

import json

import attrs
import pytest

from drivers.virtual.site import SitePlan
from servers.keyed_site import KeyedSite, site_of
from shared.readings import Reading
from shared.site import Load
from shared.station import Station

DARK = SitePlan(panel_w=0.01, traffic_level=5.0)


@pytest.fixture(scope="module")
def kept() -> tuple[Station, dict[str, object]]:
    """A station after some hours, and its snapshot."""
    site = KeyedSite(DARK)
    site.run(7.0)
    return site.station, json.loads(json.dumps(site.station.snapshot()))


def test_it_learned_something_worth_keeping(kept: tuple[Station, dict[str, object]]) -> None:
    station, _ = kept
    assert station.airtime is not None and station.airtime.since(0.0) is not None
    assert station.health.ohm.recent_ohm is not None
    assert station.health.lead.ohm() is not None


@pytest.mark.parametrize("cut", [1, 60, 613, 3000])
def test_cut_anywhere_and_resumed_it_goes_on_alike(cut: int) -> None:
    site = KeyedSite(SitePlan(traffic_level=6.0))
    site.run(cut / 3600.0)
    other = Station(site.station.site)
    other.resume(json.loads(json.dumps(site.station.snapshot())))
    # What an instrument said last is not in the snapshot; the service asks for it anew.
    for _ in range(1200):
        site.virtual.advance(1.0)
        site.at_s += 1.0
        for name in ("controller", "shunt"):
            reading = Reading(name, site.at_s, {q: v for q, v in site.virtual.shown(name).items() if v is not None})
            site.station.take(reading)
            other.take(reading)
    mine, whole = other.health.snapshot(), site.station.health.snapshot()
    # A first pair of meters may be made with what was said before the cut.
    assert mine.pop("lead") == pytest.approx(whole.pop("lead"), rel=0.02, abs=1e-4)
    assert mine == whole
    assert other.airtime is not None and site.station.airtime is not None
    assert other.airtime.snapshot() == site.station.airtime.snapshot()


def test_another_bank_forgets_the_banks_part_only(kept: tuple[Station, dict[str, object]]) -> None:
    station, snapshot = kept
    other = Station(station.site)
    other.resume(snapshot)
    other.changed("bank")
    assert other.health.ohm.recent_ohm is None
    assert other.health.begun_s is None and not other.health.days.all
    assert other.health.cycles.with_open()["cycles"] == 0.0
    assert other.health.lead.ohm() == station.health.lead.ohm(), "the lead is not the bank"
    assert other.airtime is not None and station.airtime is not None
    assert other.airtime.snapshot() == station.airtime.snapshot()


def test_another_shunt_forgets_what_two_meters_told(kept: tuple[Station, dict[str, object]]) -> None:
    station, snapshot = kept
    other = Station(station.site)
    other.resume(snapshot)
    other.changed("shunt")
    assert other.health.lead.ohm() is None and other.health.ohm.recent_ohm is None
    assert other.health.days.snapshot() == station.health.days.snapshot()


@pytest.mark.parametrize("part", ["health", "airtime"])
@pytest.mark.parametrize("broken", [{}, {"v": 99}, {"v": 1}, None, "x"])
def test_what_cannot_be_read_costs_the_estimate_nothing(
    kept: tuple[Station, dict[str, object]], part: str, broken: object
) -> None:
    station, snapshot = kept
    other = Station(station.site)
    other.resume({**snapshot, part: broken})
    assert other.charge.soc_frac == station.charge.soc_frac
    assert other.take(Reading("shunt", 1e6, {"bank_v": 12.5, "bank_a": -0.2})) is not None


def test_under_another_site_file_it_goes_on(kept: tuple[Station, dict[str, object]]) -> None:
    station, snapshot = kept
    old = Station(station.site)
    old.resume(snapshot)
    same = Station(station.site)
    same.succeed(old, same_devices=("shunt", "controller"), same_currents=("shunt", "controller"))
    assert same.health.snapshot() == old.health.snapshot()
    assert same.airtime is not None and old.airtime is not None
    assert same.airtime.snapshot() == old.airtime.snapshot()
    louder = attrs.evolve(station.site, loads={"repeater": Load("repeater", 0.13, 4.0)})
    new = Station(louder)
    new.succeed(old, same_devices=("shunt", "controller"), same_currents=("shunt", "controller"))
    assert new.airtime is not None
    assert new.airtime.steps.now_a is None, "another transmitter is learned anew"
    assert new.airtime.hours.snapshot() == old.airtime.hours.snapshot(), "but what was on the air was"


def test_a_reboot_keeps_ages(kept: tuple[Station, dict[str, object]]) -> None:
    station, snapshot = kept
    other = Station(station.site)
    other.resume(snapshot)
    begun_s, at_s = other.health.begun_s, other.fed_s
    assert begun_s is not None and at_s is not None
    other.bridge(30.0, 600.0)
    assert other.health.begun_s == pytest.approx(30.0 - 600.0 - (at_s - begun_s), abs=61.0)
    assert other.health.exact
    other.bridge(5.0, None)
    assert not other.health.exact, "from here on ages are at least"


def test_a_file_of_ten_seconds_costs_no_airtime_and_gives_no_fact() -> None:
    station = Station(site_of(SitePlan(), shunt_s=10.0))
    assert station.airtime is None
    facts = station.facts(0.0)
    assert all(facts[name] is None for name in ("transmitting_s", "keying_pause_ratio", "unexplained_a"))
