"""The virtual sun: where it stands, and what falls on a tilted panel under a given cloud.

Plain trigonometry, cheap enough for one call a simulated minute.
"""

from dataclasses import dataclass
from math import asin, atan2, cos, degrees, exp, radians, sin

_J2000_UTC_S = 946728000.0  # 2000-01-01 12:00:00 UTC
GROUND_REFLECTION = 0.2  # common practice for grass and rock, no source


@dataclass(frozen=True, slots=True)
class SunPlace:
    """Where the sun stands: zenith and azimuth (from north over east) in degrees, without refraction."""

    zenith_deg: float
    azimuth_deg: float


def sun_place(utc_s: float, latitude: float, longitude: float) -> SunPlace:
    """Place the sun.

    Args:
        utc_s: seconds since 1970, UTC.
        latitude: degrees, north above zero.
        longitude: degrees, east above zero.
    Returns: the sun's place; good to about 0.02 degrees between 1950 and 2050.
    Source: the low-precision formulas of the Astronomical Almanac, as in Michalsky 1988, "The
        Astronomical Almanac's algorithm for approximate solar position", Solar Energy 40 (from memory).
    """
    days = (utc_s - _J2000_UTC_S) / 86400.0
    anomaly = radians(357.528 + 0.9856003 * days)
    ecliptic = radians(280.460 + 0.9856474 * days + 1.915 * sin(anomaly) + 0.020 * sin(2.0 * anomaly))
    tilt = radians(23.439 - 4e-7 * days)
    ascension = atan2(cos(tilt) * sin(ecliptic), cos(ecliptic))
    declination = asin(sin(tilt) * sin(ecliptic))
    sidereal_h = 18.697375 + 24.0657098242 * days
    hour_angle = radians(sidereal_h % 24.0 * 15.0 + longitude) - ascension
    lat = radians(latitude)
    up = sin(lat) * sin(declination) + cos(lat) * cos(declination) * cos(hour_angle)
    east = -cos(declination) * sin(hour_angle)
    north = sin(declination) * cos(lat) - cos(declination) * sin(lat) * cos(hour_angle)
    return SunPlace(90.0 - degrees(asin(max(-1.0, min(1.0, up)))), degrees(atan2(east, north)) % 360.0)


def clear_sky_w_m2(zenith_deg: float) -> float:
    """Give the global irradiance on level ground under a clear sky, W/m2.

    Source: Haurwitz 1945, 1098 cos z exp(-0.059 / cos z); zero with the sun at or below the horizon.
    """
    up = cos(radians(zenith_deg))
    return 1098.0 * up * exp(-0.059 / up) if zenith_deg < 90.0 and up > 1e-4 else 0.0


def air_mass(zenith_deg: float) -> float:
    """Give the relative air mass (Kasten and Young 1989) for a zenith below 90 degrees."""
    return float(1.0 / (cos(radians(zenith_deg)) + 0.50572 * (96.07995 - zenith_deg) ** -1.6364))


def clear_beam_w_m2(zenith_deg: float) -> float:
    """Give the clear-sky beam, W/m2 across the beam: 1353 * 0.7 ** (air mass ** 0.678) (Meinel 1976, from memory)."""
    return float(1353.0 * 0.7 ** (air_mass(zenith_deg) ** 0.678)) if zenith_deg < 90.0 else 0.0


def incidence_cos(place: SunPlace, tilt_deg: float, facing_deg: float) -> float:
    """Give the cosine of the angle between the sun and the normal of a plane; below zero behind it."""
    zenith, tilt = radians(place.zenith_deg), radians(tilt_deg)
    turn = radians(place.azimuth_deg - facing_deg)
    return cos(zenith) * cos(tilt) + sin(zenith) * sin(tilt) * cos(turn)


def on_panel_w_m2(place: SunPlace, cloud: float, tilt_deg: float, facing_deg: float) -> float:
    """Give the irradiance on a tilted panel, W/m2.

    Args:
        place: where the sun stands.
        cloud: share of the sky covered, 0 to 1.
        tilt_deg: of the panel from level, degrees.
        facing_deg: azimuth the panel faces, degrees from north over east.
    Source: clouds take 0.75 * cloud ** 3.4 of the global irradiance (Kasten and Czeplak 1980, from
        memory); the beam goes with the clear share of the sky; the rest is diffuse, taken as even
        over the sky.
    """
    if place.zenith_deg >= 89.5:
        return 0.0
    up = cos(radians(place.zenith_deg))
    level = clear_sky_w_m2(place.zenith_deg) * (1.0 - 0.75 * cloud**3.4)
    beam = min(clear_beam_w_m2(place.zenith_deg) * (1.0 - cloud), level / up)
    diffuse = level - beam * up
    lean = cos(radians(tilt_deg))
    direct = beam * max(0.0, incidence_cos(place, tilt_deg, facing_deg))
    return float(direct + diffuse * (1.0 + lean) / 2.0 + level * GROUND_REFLECTION * (1.0 - lean) / 2.0)
