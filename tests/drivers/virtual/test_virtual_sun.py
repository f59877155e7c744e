"""The virtual sun against published places, times and irradiances."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from drivers.virtual.sun import air_mass, clear_sky_w_m2, incidence_cos, on_panel_w_m2, sun_place

HORIZON_DEG = 90.8333  # centre of the sun 50' below the horizon: refraction 34' and half its width 16'


def test_place_matches_the_worked_example() -> None:
    # Reda and Andreas, NREL/TP-560-34302, example: 2003-10-17 12:30:30 UTC-7, zenith without refraction
    # 50.127954, azimuth 194.340241, incidence on a slope of 30 facing 170: 25.187.
    place = sun_place(datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp(), 39.742476, -105.1786)
    assert place.zenith_deg == pytest.approx(50.127954, abs=0.05)
    assert place.azimuth_deg == pytest.approx(194.340241, abs=0.05)
    assert incidence_cos(place, 30.0, 170.0) == pytest.approx(0.904928, abs=0.001)  # cos 25.187


def crossing(below: Callable[[float], bool], from_s: float, to_s: float) -> float:
    """Halve a stretch in which `below` changes once."""
    at_start = below(from_s)
    for _ in range(30):
        middle_s = (from_s + to_s) / 2.0
        if below(middle_s) == at_start:
            from_s = middle_s
        else:
            to_s = middle_s
    return from_s


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone_h", "day", "rise", "noon", "fall"),
    [
        # NREL web calculator, as in the tests of pvlib.
        (39.742476, -105.1786, -7, (2015, 1, 2), "07:21:55", "12:04:45", "16:47:43"),
        (39.742476, -105.1786, -7, (2015, 8, 2), "05:00:27", "12:06:58", "19:13:58"),
        (-35.0, 0.0, 0, (1996, 7, 5), "07:08:15", "12:04:36", "17:01:04"),
        (-35.0, 0.0, 0, (2004, 12, 4), "04:38:57", "11:50:22", "19:02:03"),
        # pvlib's SPA, run with delta T 69.2 s.
        (51.4769, 0.0, 0, (2024, 6, 20), "03:42:38", "12:01:42", "20:20:47"),
        (45.0, 0.0, 0, (2024, 12, 21), "07:35:17", "11:58:17", "16:21:16"),
    ],
)
def test_rise_and_set(
    latitude: float, longitude: float, zone_h: int, day: tuple[int, int, int], rise: str, noon: str, fall: str
) -> None:
    midnight = datetime(*day, tzinfo=UTC) - timedelta(hours=zone_h)

    def at(clock: str) -> float:
        hours, minutes, seconds = map(int, clock.split(":"))
        return midnight.timestamp() + hours * 3600 + minutes * 60 + seconds

    def below(utc_s: float) -> bool:
        return sun_place(utc_s, latitude, longitude).zenith_deg > HORIZON_DEG

    noon_s = at(noon)
    # 2 minutes are what a simpler formula than SPA is allowed.
    assert crossing(below, noon_s - 43200, noon_s) == pytest.approx(at(rise), abs=120.0)
    assert crossing(below, noon_s, noon_s + 43200) == pytest.approx(at(fall), abs=120.0)


def test_polar_night_and_midnight_sun() -> None:
    # pvlib's SPA, 70 N 25 E: no rise on 2024-12-21, no set on 2024-06-20.
    winter = datetime(2024, 12, 21, tzinfo=UTC).timestamp()
    summer = datetime(2024, 6, 20, tzinfo=UTC).timestamp()
    hours = range(24)
    assert all(sun_place(winter + 3600 * h, 70.0, 25.0).zenith_deg > HORIZON_DEG for h in hours)
    assert all(sun_place(summer + 3600 * h, 70.0, 25.0).zenith_deg < HORIZON_DEG for h in hours)
    assert on_panel_w_m2(sun_place(winter + 43200, 70.0, 25.0), 0.0, 55.0, 180.0) == 0.0


@pytest.mark.parametrize(
    ("zenith_deg", "w_m2"),
    [(0, 1035.092), (20, 968.992), (40, 778.767), (50.111622, 642.250), (60, 487.894), (80, 135.742), (85, 48.630)],
)
def test_clear_sky_is_haurwitz(zenith_deg: float, w_m2: float) -> None:
    # Haurwitz as pvlib 0.16.1 gives it.
    assert clear_sky_w_m2(zenith_deg) == pytest.approx(w_m2, abs=0.01)


def test_nothing_shines_at_or_below_the_horizon() -> None:
    assert [clear_sky_w_m2(zenith) for zenith in (90.0, 91.0, 180.0)] == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(("zenith_deg", "mass"), [(0, 0.99971), (30, 1.15399), (60, 1.99429), (85, 10.30579)])
def test_air_mass_is_kasten_young(zenith_deg: float, mass: float) -> None:
    # Kasten and Young 1989, as pvlib 0.16.1 gives it.
    assert air_mass(zenith_deg) == pytest.approx(mass, abs=1e-5)


def test_a_level_panel_sees_the_level_irradiance_and_cloud_takes_three_quarters() -> None:
    place = sun_place(datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp(), 39.742476, -105.1786)
    clear = on_panel_w_m2(place, 0.0, 0.0, 180.0)
    assert clear == pytest.approx(clear_sky_w_m2(place.zenith_deg), rel=1e-9)
    # Kasten and Czeplak 1980 (from memory): full cloud leaves a quarter.
    assert on_panel_w_m2(place, 1.0, 0.0, 180.0) == pytest.approx(0.25 * clear, rel=1e-6)
    assert on_panel_w_m2(place, 0.0, 50.0, 180.0) > clear  # an autumn sun, a panel turned to it
