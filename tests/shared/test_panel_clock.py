"""The time of day and the length of the day from a panel's light, against the almanac's."""

from datetime import UTC, datetime

import pytest

from shared.panel_clock import PanelClock
from shared.sun import DAY_S, declination_deg, sun_place

BOOT_S = 12_345.0  # the boot was so long before the first of these days


def lived(latitude: float, longitude: float, begin: str, days: int) -> tuple[PanelClock, float]:
    """A clock that saw so many clear days; gives it and UTC at second 0 of its seconds."""
    begin_utc_s = datetime.fromisoformat(begin).replace(tzinfo=UTC).timestamp()
    clock = PanelClock(30.0, latitude, longitude)
    for minutes in range(0, days * 1440, 5):
        zenith, _ = sun_place(begin_utc_s + minutes * 60.0, latitude, longitude)
        clock.see(BOOT_S + minutes * 60.0, max(0.0, 86.5 - zenith) * 0.4)
    return clock, begin_utc_s - BOOT_S


@pytest.mark.parametrize("begin", ["2025-01-10", "2025-06-20", "2025-10-05"])
@pytest.mark.parametrize(("latitude", "longitude"), [(37.3, -81.1), (-35.0, 138.6), (57.0, 12.1)])
def test_noon_and_the_suns_height_are_found(latitude: float, longitude: float, begin: str) -> None:
    clock, utc_at_0_s = lived(latitude, longitude, begin, 4)
    now_s = BOOT_S + 4 * DAY_S
    found = clock.utc_s(now_s)
    assert found is not None
    off_s = (found - (now_s + utc_at_0_s) + DAY_S / 2.0) % DAY_S - DAY_S / 2.0
    assert abs(off_s) < 1500.0  # equation of time, up to 16 minutes, and the steps of five minutes
    assert declination_deg(found) == pytest.approx(declination_deg(now_s + utc_at_0_s), abs=3.0)


def test_before_a_whole_day_was_seen_there_is_no_time() -> None:
    clock, _ = lived(37.3, -81.1, "2025-03-01T17:00:00", 1)  # from noon to noon: a dusk and a dawn
    assert clock.utc_s(BOOT_S + DAY_S) is None


def test_polar_night_gives_no_time_and_no_error() -> None:
    clock, _ = lived(70.0, 25.0, "2025-12-15", 3)
    assert clock.utc_s(BOOT_S + 3 * DAY_S) is None


def test_a_thunderstorm_is_no_night() -> None:
    clock, utc_at_0_s = lived(37.3, -81.1, "2025-06-20", 3)
    known_s = clock.noon_s
    for minutes in range(0, 1440, 5):
        at_s = BOOT_S + 3 * DAY_S + minutes * 60.0
        zenith, _ = sun_place(at_s + utc_at_0_s, 37.3, -81.1)
        storm = 1000 < minutes < 1060
        clock.see(at_s, 0.0 if storm else max(0.0, 86.5 - zenith) * 0.4)
    assert known_s is not None and clock.noon_s is not None
    assert (clock.noon_s - known_s) % DAY_S < 600.0 or (known_s - clock.noon_s) % DAY_S < 600.0
