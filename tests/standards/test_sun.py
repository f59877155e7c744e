"""The sun and the clear sky against published values; each source is named beside its check."""

from datetime import UTC, datetime, timedelta

import pytest

from shared.clear_sky import haurwitz_w_m2, on_panel_w_m2
from shared.sun import sun_place, sun_times


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def test_the_worked_example_of_the_solar_position_algorithm() -> None:
    # Reda and Andreas, NREL/TP-560-34302 (2003, rev. 2008), appendix: 2003-10-17 12:30:30 UTC-7 at
    # 39.742476 N, 105.1786 W: zenith without refraction 50.127954, azimuth 194.340241 degrees.
    zenith, azimuth = sun_place(utc_s("2003-10-17T19:30:30"), 39.742476, -105.1786)
    assert zenith == pytest.approx(50.127954, abs=0.03)
    assert azimuth == pytest.approx(194.340241, abs=0.03)


@pytest.mark.parametrize(
    ("latitude", "longitude", "offset_h", "date", "rise", "noon", "down"),
    [
        # From the NREL web calculator, as kept in the tests of a published solar library.
        (39.742476, -105.1786, -7, "2015-01-02", "07:21:55", "12:04:45", "16:47:43"),
        (39.742476, -105.1786, -7, "2015-08-02", "05:00:27", "12:06:58", "19:13:58"),
        (-35.0, 0.0, 0, "1996-07-05", "07:08:15", "12:04:36", "17:01:04"),
        (-35.0, 0.0, 0, "2004-12-04", "04:38:57", "11:50:22", "19:02:03"),
        # The same library run with delta T 69.2 s.
        (51.4769, 0.0, 0, "2024-06-20", "03:42:38", "12:01:42", "20:20:47"),
        (51.4769, 0.0, 0, "2024-12-21", "08:03:18", "11:58:17", "15:53:16"),
        (0.0, 0.0, 0, "2024-03-20", "06:04:02", "12:07:18", "18:10:33"),
    ],
)
def test_rise_noon_and_set(
    latitude: float, longitude: float, offset_h: int, date: str, rise: str, noon: str, down: str
) -> None:
    offset = timedelta(hours=offset_h)
    found = sun_times(utc_s(f"{date}T12:00:00") - offset.total_seconds(), latitude, longitude)
    for seen, told in zip((found.rise_utc_s, found.noon_utc_s, found.set_utc_s), (rise, noon, down), strict=True):
        assert seen is not None
        assert seen == pytest.approx(utc_s(f"{date}T{told}") - offset.total_seconds(), abs=120.0)


@pytest.mark.parametrize("date", ["2024-12-21", "2024-06-20"])
def test_polar_night_and_midnight_sun_have_neither_rise_nor_set(date: str) -> None:
    # 70 N 25 E: no rise or set on either day (the same published library, run).
    found = sun_times(utc_s(f"{date}T10:00:00"), 70.0, 25.0)
    assert found.rise_utc_s is None and found.set_utc_s is None


@pytest.mark.parametrize(
    ("zenith", "ghi"),
    # Haurwitz (1945): GHI = 1098 cos z exp(-0.059/cos z); values of the published library's tests and runs.
    [(0, 1035.092), (20, 968.992), (30, 888.271), (40, 778.767), (60, 487.894), (75, 226.255), (85, 48.630), (90, 0.0)],
)
def test_clear_sky_on_flat_ground(zenith: float, ghi: float) -> None:
    assert haurwitz_w_m2(zenith) == pytest.approx(ghi, abs=0.01)


def test_a_panel_that_faces_the_sun_gets_more_and_one_that_lies_flat_what_the_ground_gets() -> None:
    at_s = utc_s("2024-12-21T12:00:00")
    zenith, azimuth = sun_place(at_s, 45.0, 0.0)
    flat = on_panel_w_m2(at_s, zenith, azimuth, 0.0, 180.0)
    assert flat == pytest.approx(haurwitz_w_m2(zenith), rel=0.02)
    tilted = on_panel_w_m2(at_s, zenith, azimuth, 60.0, 180.0)
    assert 1.8 < tilted / flat < 3.0  # geometry: a low winter sun; cos 8 deg over cos 68 deg is 2.6 for the beam
    assert on_panel_w_m2(at_s, zenith, azimuth, 60.0, 0.0) < flat
