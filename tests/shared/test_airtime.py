"""Airtime held against the simulated site's own count of its keyings, at 1 and 2 s, by day and night."""

import json
from collections.abc import Iterator

import pytest

from drivers.virtual.site import SitePlan
from servers.keyed_site import KeyedSite, site_of
from shared.airtime import Airtime, airtime_tap
from shared.airtime_hours import AirtimeHour, total

SUNNY_H = 20.0  # from eight in the morning until four at night


def whole_of(watched: KeyedSite) -> AirtimeHour:
    airtime = watched.station.airtime
    assert airtime is not None
    found = total(airtime.hours.rows)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def from_load() -> KeyedSite:
    """A controller read each second tells the load current itself."""
    watched = KeyedSite(shunt_s=10.0, controller_s=1.0)
    watched.run(SUNNY_H)
    return watched


@pytest.fixture(scope="module")
def from_bank() -> KeyedSite:
    """A shunt read each second, a controller each ten: the sun is in the quick current."""
    watched = KeyedSite()
    watched.run(SUNNY_H)
    return watched


def test_the_loads_own_current_tells_every_keying(from_load: KeyedSite) -> None:
    truth, found = from_load.virtual.truth, whole_of(from_load)
    assert truth.keyings > 150
    assert found.keyings == pytest.approx(truth.keyings, rel=0.02)
    assert found.keyed_s == pytest.approx(truth.keyed_s, rel=0.02)
    assert found.longest_s == pytest.approx(truth.longest_s, abs=1.0)
    assert found.part_s == 0.0


def test_the_banks_current_tells_them_over_sunny_hours_too(from_bank: KeyedSite) -> None:
    truth, found = from_bank.virtual.truth, whole_of(from_bank)
    assert from_bank.virtual.charged_ah > 1.0, "the sun did shine"
    # While the charger holds its voltage the bank's current does not move: there the load current, seen each 10 s,
    # gives the time, and the number of keyings only by their usual length.
    assert found.keyings == pytest.approx(truth.keyings, rel=0.05)
    assert found.keyed_s == pytest.approx(truth.keyed_s, rel=0.02)
    assert found.longest_s == pytest.approx(truth.longest_s, abs=1.0)


def test_the_currents_are_learned(from_load: KeyedSite, from_bank: KeyedSite) -> None:
    for watched in (from_load, from_bank):
        airtime = watched.station.airtime
        assert airtime is not None
        plan = watched.virtual.plan
        learned = airtime.learned()
        assert learned["transmit_step_a"] == pytest.approx(plan.transmit_a - plan.idle_a, rel=0.02)
        quiet_a = plan.idle_a if watched is from_load else plan.idle_a + plan.computer_a + plan.controller.own_a
        assert learned["idle_a"] == pytest.approx(quiet_a, abs=0.012)  # the shunt is off by 7 mA


def test_without_a_word_in_the_site_file_the_transmitter_is_found() -> None:
    watched = KeyedSite(shunt_s=10.0, controller_s=1.0, told=False)
    watched.run(3.0)
    before, seen = watched.virtual.truth, whole_of(watched)
    watched.run(8.0)
    truth, found = watched.virtual.truth, whole_of(watched)
    assert found.keyings - seen.keyings == pytest.approx(truth.keyings - before.keyings, rel=0.02)
    assert found.keyed_s - seen.keyed_s == pytest.approx(truth.keyed_s - before.keyed_s, rel=0.02)


def test_at_two_seconds_time_is_as_good_and_keyings_nearly() -> None:
    """An over of one second, or a pause of one, falls between two looks: some keyings are not there to be seen."""
    watched = KeyedSite(shunt_s=10.0, controller_s=2.0)
    watched.run(24.0)
    truth, found = watched.virtual.truth, whole_of(watched)
    assert found.keyings == pytest.approx(truth.keyings, rel=0.05)
    assert found.keyed_s == pytest.approx(truth.keyed_s, rel=0.02)
    assert found.longest_s == pytest.approx(truth.longest_s, abs=2.0)


def test_slower_than_two_seconds_nothing_is_told() -> None:
    assert airtime_tap(site_of(SitePlan(), shunt_s=5.0)) is None
    watched = KeyedSite()  # the file says 1 s, the readings come each 10 s
    watched.run(2.0, step_s=10.0)
    airtime = watched.station.airtime
    assert airtime is not None and not airtime.is_seeing(watched.at_s)
    assert airtime.since(0.0) is None
    assert set(airtime.facts(watched.at_s).values()) == {None}


def test_with_the_sun_in_the_current_and_no_load_current_the_doubt_is_told() -> None:
    plan = SitePlan()
    site = site_of(plan)
    tap = airtime_tap(site)
    assert tap is not None and tap.slow_load == "controller"
    airtime = Airtime(tap)
    for second in range(600):
        airtime.step(float(second), 0.22 if second % 60 < 45 else 1.7, dark=False)
    found = airtime.since(0.0)
    assert found is not None
    assert found["part_s"] == pytest.approx(599.0)
    assert found["keyings"] == 10


def rows() -> Iterator[tuple[float, float, bool, float | None]]:
    """Draw, dark or not, and each ten seconds the slow load current; a part of it with the keyings hidden."""
    for second in range(3000):
        keyed = second % 37 < 12
        hidden = 1000 <= second < 2000
        draw_a = -0.4 if hidden else 0.22 + 1.47 * keyed
        yield float(second), draw_a, second >= 2000, 0.13 + 1.47 * keyed if second % 10 == 0 else None


@pytest.mark.parametrize("cut", [5, 991, 1234, 1990, 2500])
def test_cut_anywhere_and_resumed_it_is_the_same(cut: int) -> None:
    tap = airtime_tap(site_of(SitePlan()))
    assert tap is not None
    whole, part = Airtime(tap), Airtime(tap)
    for at_s, draw_a, dark, load_a in rows():
        if at_s == cut:
            resumed = Airtime(tap)
            resumed.restore(json.loads(json.dumps(part.snapshot())))
            part = resumed
        for one in (whole, part):
            one.step(at_s, draw_a, dark)
            if load_a is not None:
                one.confirm(at_s, load_a)
    assert part.snapshot() == whole.snapshot()
    found = whole.since(0.0)
    assert found is not None and found["duty"] == pytest.approx(12.0 / 37.0, rel=0.05)


def test_a_reboot_keeps_what_was_and_ends_what_was_on() -> None:
    tap = airtime_tap(site_of(SitePlan(), shunt_s=10.0, controller_s=1.0))
    assert tap is not None
    airtime = Airtime(tap)
    for second in range(900):
        airtime.step(1000.0 + second, 0.13 if second < 800 else 1.6, dark=False)
    airtime.bridge(5.0, 60.0)
    assert not airtime.keyed
    rows = airtime.hours.rows
    assert rows[-1].begin_s < 5.0
    assert sum(row.keyed_s for row in rows) == pytest.approx(100.0, abs=1.0)
    for second in range(60):
        airtime.step(6.0 + second, 0.13, dark=False)
    found = airtime.since(-86_400.0)
    assert found is not None and found["keyings"] == 1


def test_readings_that_come_quicker_from_now_on_are_believed_soon() -> None:
    tap = airtime_tap(site_of(SitePlan()))
    assert tap is not None
    airtime = Airtime(tap)
    for row in range(100):
        airtime.step(10.0 * row, 0.22, dark=True)
    assert not airtime.is_seeing(990.0)
    for second in range(10):
        airtime.step(991.0 + second, 0.22, dark=True)
    assert airtime.is_seeing(1000.0)


def test_a_missed_row_now_and_then_is_no_other_period() -> None:
    tap = airtime_tap(site_of(SitePlan()))
    assert tap is not None
    airtime = Airtime(tap)
    for second in range(600):
        if second % 20 not in (3, 4, 5):
            airtime.step(float(second), 0.22 if second % 60 < 45 else 1.7, dark=True)
    found = airtime.since(0.0)
    assert found is not None and (found["keyings"], found["seen_s"]) == (10, 599.0)


def test_what_slow_readings_join_is_not_the_longest() -> None:
    """The sun hides a talk of overs with pauses of 5 s; each look of 10 s falls into an over."""
    tap = airtime_tap(site_of(SitePlan()))
    assert tap is not None
    airtime = Airtime(tap)
    for second in range(200):
        airtime.step(float(second), 0.22 + 1.47 * (40 <= second < 60), dark=False)
        if second % 10 == 0:
            airtime.confirm(float(second), 0.13 + 1.47 * (40 <= second < 60 or 100 <= second < 180))
    found = airtime.since(0.0)
    assert found is not None
    assert found["longest_s"] == pytest.approx(20.0)
    assert found["seconds"] == pytest.approx(100.0, abs=1.0)
    assert found["keyings"] == 5, "20 s seen whole, and 80 s by that length"
