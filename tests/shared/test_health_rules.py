"""Each rule about airtime and health, with the simulated site making the condition, through the station."""

import pytest

from drivers.virtual.site import SitePlan
from drivers.virtual.weather import Spell
from servers.keyed_site import START_UTC_S, KeyedSite
from shared.airtime_rules import AIRTIME_RULES
from shared.health_rules import HEALTH_RULES

DARK = SitePlan(panel_w=0.01, traffic_level=5.0)  # no sun: the bank is drained, and every keying can be judged
CLEAR = (Spell(START_UTC_S - 86_400.0, START_UTC_S + 9 * 86_400.0, 0.05, share=1.0),)
SUNNY = SitePlan(spells=CLEAR)
NEVER_FULL = SitePlan(panel_w=5.0, spells=CLEAR)


OURS = {rule.name for rule in (*AIRTIME_RULES, *HEALTH_RULES)}


def raised(site: KeyedSite) -> set[str]:
    """Which of these rules' alerts were raised; what others make of the same site is for their own tests."""
    return site.raised() & OURS


def run(site: KeyedSite, before_h: float, condition: str | None, after_h: float) -> set[str]:
    """Alerts raised by a condition that begins after some hours in good order."""
    site.run(before_h)
    assert not raised(site), "nothing is wrong yet"
    if condition is not None:
        site.virtual.impose(condition)
    site.run(after_h)
    return raised(site)


@pytest.mark.parametrize("controller_s", [1.0, 10.0])
def test_stuck_transmitter(controller_s: float) -> None:
    """By the load current each second, and by the bank's in the sun with a load current each ten."""
    site = KeyedSite(SUNNY, shunt_s=10.0 if controller_s == 1.0 else 1.0, controller_s=controller_s)
    assert "stuck-transmitter" in run(site, 1.0, "stuck-transmitter", 0.4)
    site.virtual.lift("stuck-transmitter")
    site.run(0.4)
    assert [e.state for e in site.events if e.alert == "stuck-transmitter"] == ["raised", "cleared"]


def test_silent_transmitter() -> None:
    site = KeyedSite(SitePlan(traffic_level=3.0), shunt_s=10.0, controller_s=2.0, alerts="silent-transmitter=1.2")
    assert "silent-transmitter" in run(site, 24.5, "silent-transmitter", 10.5)


def test_transmit_current_changed() -> None:
    site = KeyedSite(SitePlan(traffic_level=8.0), shunt_s=10.0, controller_s=1.0)
    assert "transmit-current-changed" in run(site, 1.5, "weak-transmitter", 1.0)


def test_unknown_load_is_no_stuck_transmitter() -> None:
    site = KeyedSite(shunt_s=10.0, controller_s=2.0)
    told = run(site, 7.5, "extra-load", 1.0)
    assert "unknown-load" in told
    assert "stuck-transmitter" not in told


def test_a_bad_post_is_the_banks_and_not_the_leads() -> None:
    told = run(KeyedSite(DARK), 9.0, "corroded-post", 4.0)
    assert "resistance-jump" in told
    assert "lead-resistance" not in told


def test_a_bad_lug_is_the_leads_and_not_the_banks() -> None:
    told = run(KeyedSite(DARK), 5.0, "corroded-lug", 5.0)
    assert "lead-resistance" in told
    assert "resistance-jump" not in told


def test_capacity_low_after_a_discharge_test_has_told() -> None:
    site = KeyedSite(SitePlan(health=0.6), shunt_s=30.0, controller_s=30.0)
    site.run(1.0)
    site.station.charge.measured_capacity(14.4, 0.7)
    site.run(97.0)
    assert "capacity-low" in raised(site)


def test_not_full() -> None:
    site = KeyedSite(NEVER_FULL, shunt_s=60.0, controller_s=60.0, alerts="not-full=4")
    assert site.station.facts(0.0)["days_since_full"] is None
    site.run(100.0)
    assert "not-full" in raised(site)
    assert max(e.value or 0.0 for e in site.events if e.alert == "not-full") >= 4.0


def test_a_sunny_site_gets_full_and_is_charged_right() -> None:
    site = KeyedSite(SUNNY, shunt_s=20.0, controller_s=20.0, alerts="not-full=4")
    site.run(120.0)
    assert not raised(site)
    health = site.station.health
    assert health.full_s is not None
    off = health.plateau.off_v()
    # The charger goes by its own temperature and is warmer than the bank, which gets a little less than it needs.
    assert off is not None and -0.25 < off < 0.1


def test_a_charge_voltage_too_high_is_told_within_the_day() -> None:
    site = KeyedSite(SUNNY, shunt_s=20.0, controller_s=20.0)
    assert "charge-voltage-wrong" in run(site, 0.5, "set-point-high", 14.0)
    off = site.station.health.plateau.off_v()
    assert off is not None and off > 0.25


def test_a_charge_voltage_too_low_is_told_within_days() -> None:
    site = KeyedSite(SUNNY, shunt_s=30.0, controller_s=30.0)
    assert "charge-voltage-wrong" in run(site, 0.5, "set-point-low", 90.0)
    off = site.station.health.plateau.off_v()
    assert off is not None and off < -0.25


def test_a_site_in_good_order_raises_none_of_them() -> None:
    site = KeyedSite(SUNNY, controller_s=10.0)
    site.run(30.0)
    assert not raised(site)
