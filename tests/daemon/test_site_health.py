"""The picture tells of airtime and health."""

from datetime import UTC, datetime

import pytest

from daemon.screens.outlook import read_airtime
from daemon.site_health import airtime_part, align, health_part
from drivers.virtual.site import SitePlan
from servers.keyed_site import START_UTC_S, KeyedSite


@pytest.fixture(scope="module")
def watched() -> KeyedSite:
    site = KeyedSite(SitePlan(traffic_level=4.0))
    align(site.station, 0.0, datetime.fromtimestamp(START_UTC_S, UTC))
    site.run(2.0)
    return site


def test_a_screen_can_read_todays_airtime(watched: KeyedSite) -> None:
    utc = datetime.fromtimestamp(START_UTC_S + watched.at_s, UTC)
    part = airtime_part(watched.station, watched.at_s, utc)
    assert part is not None and part["day"] == "today"
    found = read_airtime({"airtime": part})
    truth = watched.virtual.truth
    assert found is not None
    assert found.keyings == pytest.approx(truth.keyings, abs=1)
    assert found.seconds == pytest.approx(truth.keyed_s, rel=0.02)
    assert found.duty == pytest.approx(truth.keyed_s / watched.at_s, rel=0.02)


def test_yesterdays_is_not_todays(watched: KeyedSite) -> None:
    """The site is UTC here; two hours after noon plus ten more is the next day."""
    later_s = watched.at_s + 11 * 3600.0
    utc = datetime.fromtimestamp(START_UTC_S + later_s, UTC)
    assert airtime_part(watched.station, later_s, utc) is None
    undated = airtime_part(watched.station, later_s, None)
    assert undated is not None and undated["day"] == "last 24 h"


def test_without_quick_readings_there_is_none() -> None:
    assert airtime_part(KeyedSite(shunt_s=10.0).station, 0.0, None) is None


def test_health_is_plain_and_short(watched: KeyedSite) -> None:
    part = health_part(watched.station, watched.at_s)
    assert part["capacity_share"] == pytest.approx(watched.station.charge.capacity_ah / 24.0)
    assert set(part) == {
        "capacity_share", "days_since_full", "below_half_h_month", "wear_least", "wear_most", "ohm", "ohm_jump",
        "lead_ohm", "charge_v_off",
    }  # fmt: skip
    assert all(value is None or isinstance(value, float) for value in part.values())
