"""Leaving out the sun's place while it is low changes nothing, and does leave most of the night out."""

import pytest

from shared import sun
from shared.sun import LowSun, sun_place

SOLSTICE_UTC_S = 1_782_000_000.0  # 2026-06-21, 00:00 UTC
MINUTES = 3 * 1440


@pytest.mark.parametrize("latitude", [-67.0, -34.0, 0.0, 23.4, 47.0, 66.5, 89.0])
@pytest.mark.parametrize("height_deg", [-18.0, 0.0, 10.0, 60.0])
@pytest.mark.parametrize("season_d", [0, 91, 183])
def test_the_place_is_given_whenever_the_sun_is_that_high(latitude: float, height_deg: float, season_d: int) -> None:
    low_sun = LowSun(latitude, 8.0, height_deg)
    for minute in range(0, MINUTES, 3):
        utc_s = SOLSTICE_UTC_S + 86_400.0 * season_d + 60.0 * minute
        place, known = low_sun.place(utc_s), sun_place(utc_s, latitude, 8.0)
        assert place == known if 90.0 - known[0] >= height_deg else place in (None, known)


def test_most_of_the_night_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []

    def counted(utc_s: float, latitude: float, longitude: float) -> tuple[float, float]:
        asked.append(utc_s)
        return sun_place(utc_s, latitude, longitude)

    monkeypatch.setattr(sun, "sun_place", counted)
    low_sun = LowSun(47.0, 8.0, 10.0)
    given = sum(low_sun.place(SOLSTICE_UTC_S + 60.0 * minute) is not None for minute in range(MINUTES))
    assert given == len(asked) < 0.65 * MINUTES  # at midsummer the sun is above 10 degrees for 14 hours here


def test_a_clock_that_steps_back_is_followed() -> None:
    low_sun = LowSun(47.0, 8.0, 10.0)
    midnight_s, noon_s = SOLSTICE_UTC_S, SOLSTICE_UTC_S + 12.0 * 3600.0
    low_sun.place(midnight_s)
    assert low_sun.place(noon_s) is not None
    assert low_sun.place(midnight_s) is not None, "asked for the first time since"
    assert low_sun.place(midnight_s - 60.0) is None
    assert low_sun.place(noon_s - 86_400.0) == sun_place(noon_s - 86_400.0, 47.0, 8.0)
