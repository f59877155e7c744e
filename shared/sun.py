"""Where the sun stands, and when it rises and sets; enough for panels and days, not for telescopes.

Source: J. J. Michalsky, The Astronomical Almanac's algorithm for approximate solar position (1950-2050),
Solar Energy 40 (1988) 227; its error of 0.01 degrees is far below what a panel or a horizon can show. It
is short, so the service needs no astronomy package and its memory for it.
"""

from dataclasses import dataclass
from math import acos, asin, atan2, cos, degrees, floor, pi, radians, sin

DAY_S = 86_400.0
RISE_ZENITH_DEG = 90.833  # upper rim on a flat horizon: half a sun's width and refraction, as almanacs have it
FASTEST_DEG_S = 0.0045  # no sun rises or sinks faster: the earth turns by 0.0042 degrees a second
_J2000_UTC_S = 946_728_000.0  # 2000-01-01 12:00 UTC, seconds since 1970
_ROUNDS = 3  # the sun moves on while it rises; each round takes its place at the instant found before


@dataclass(frozen=True, slots=True)
class SunTimes:
    """Rise, highest and set of one day, seconds since 1970 UTC; rise and set None where it does neither."""

    rise_utc_s: float | None
    noon_utc_s: float
    set_utc_s: float | None


def sun_place(utc_s: float, latitude: float, longitude: float) -> tuple[float, float]:
    """Give the sun's zenith angle, without refraction, and its azimuth from north over east.

    Args:
        utc_s: seconds since 1970 UTC.
        latitude, longitude: degrees, north and east positive.
    Returns: (zenith, azimuth), degrees.
    """
    declination, hour_angle = _celestial(utc_s, longitude)
    north = radians(latitude)
    up = sin(declination) * sin(north) + cos(declination) * cos(north) * cos(hour_angle)
    azimuth = atan2(
        -cos(declination) * sin(hour_angle),
        sin(declination) * cos(north) - cos(declination) * sin(north) * cos(hour_angle),
    )
    return degrees(acos(min(1.0, max(-1.0, up)))), degrees(azimuth) % 360.0


class LowSun:
    """Gives the sun's place but while it is surely below a height: then it need not be worked out, all night long."""

    __slots__ = ("_below_from_s", "_below_until_s", "_latitude", "_longitude", "_zenith_deg")

    def __init__(self, latitude: float, longitude: float, height_deg: float) -> None:
        """Take the site, degrees, north and east positive, and the height above the horizon, degrees."""
        self._latitude, self._longitude = latitude, longitude
        self._zenith_deg = 90.0 - height_deg
        self._below_from_s = self._below_until_s = 0.0

    def place(self, utc_s: float) -> tuple[float, float] | None:
        """Give zenith and azimuth as `sun_place` does; None only while the sun is below the height."""
        if self._below_from_s < utc_s < self._below_until_s:
            return None
        zenith, azimuth = sun_place(utc_s, self._latitude, self._longitude)
        surely_s = (zenith - self._zenith_deg) / FASTEST_DEG_S
        self._below_from_s, self._below_until_s = utc_s - surely_s, utc_s + surely_s
        return zenith, azimuth


def declination_deg(utc_s: float) -> float:
    """Give the sun's declination, degrees north."""
    return degrees(_celestial(utc_s, 0.0)[0])


def sun_times(utc_s: float, latitude: float, longitude: float) -> SunTimes:
    """Give rise, highest and set of the solar day in which `utc_s` lies, for a flat horizon.

    In polar night and under the midnight sun there is neither rise nor set.
    """
    mean_day = floor((utc_s + longitude * 240.0) / DAY_S)
    noon_s = mean_day * DAY_S + DAY_S / 2.0 - longitude * 240.0
    for _ in range(_ROUNDS):
        noon_s -= _celestial(noon_s, longitude)[1] * DAY_S / (2.0 * pi)
    return SunTimes(_crossing(noon_s, -1.0, latitude, longitude), noon_s, _crossing(noon_s, 1.0, latitude, longitude))


def half_day_angle(declination: float, latitude: float, zenith_deg: float = RISE_ZENITH_DEG) -> float | None:
    """Give the hour angle at which the sun passes a zenith angle, radians; None when it never does.

    Args:
        declination: radians. latitude: degrees. zenith_deg: degrees.
    """
    north = radians(latitude)
    across = cos(declination) * cos(north)
    if across < 1e-9:
        return None
    share = (cos(radians(zenith_deg)) - sin(declination) * sin(north)) / across
    return acos(share) if -1.0 < share < 1.0 else None


def _crossing(noon_s: float, side: float, latitude: float, longitude: float) -> float | None:
    at_s = noon_s
    for _ in range(_ROUNDS):
        declination, hour_angle = _celestial(at_s, longitude)
        half = half_day_angle(declination, latitude)
        if half is None:
            return None
        at_s += (side * half - hour_angle) * DAY_S / (2.0 * pi)
    return at_s


def _celestial(utc_s: float, longitude: float) -> tuple[float, float]:
    """Declination and local hour angle (-pi to pi, west positive), radians."""
    days = (utc_s - _J2000_UTC_S) / DAY_S
    mean_long = radians((280.460 + 0.9856474 * days) % 360.0)
    anomaly = radians((357.528 + 0.9856003 * days) % 360.0)
    ecliptic = mean_long + radians(1.915) * sin(anomaly) + radians(0.020) * sin(2.0 * anomaly)
    tilt = radians(23.439 - 0.0000004 * days)
    ascension = atan2(cos(tilt) * sin(ecliptic), cos(ecliptic))
    declination = asin(sin(tilt) * sin(ecliptic))
    # Sidereal time; the term of the hours already passed is in 24.0657 hours a day.
    sidereal_h = 18.697375 + 24.0657098242 * days
    hour_angle = radians((15.0 * sidereal_h + longitude) % 360.0) - ascension
    return declination, (hour_angle + pi) % (2.0 * pi) - pi
