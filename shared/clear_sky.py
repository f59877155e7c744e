"""Light from a clear sky: on flat ground, and on a tilted panel.

Sources: global irradiance B. Haurwitz (1945, 1946), J. Meteorology 2 and 3; share of diffuse light D. G. Erbs,
S. A. Klein and J. A. Duffie, Solar Energy 28 (1982) 293; onto the tilted panel B. Y. H. Liu and R. C. Jordan
(1963): diffuse light even over the sky, the ground reflecting a fifth. What a site really gets against
this is learned (`shared.harvest`), so that a plain model is enough.
"""

from math import cos, exp, pi, radians, sin

GROUND_REFLECTION = 0.2  # grass and bare soil; common practice
SOLAR_CONSTANT_W_M2 = 1366.1  # ASTM E490, with which the check values of the diffuse share were made
_DAY_S = 86_400.0
_YEAR_S = 365.2422 * _DAY_S


def haurwitz_w_m2(zenith_deg: float) -> float:
    """Give the global irradiance on flat ground under a clear sky, W/m2; 0 with the sun down.

    Args:
        zenith_deg: zenith angle of the sun, degrees.
    """
    up = cos(radians(zenith_deg))
    return 1098.0 * up * exp(-0.059 / up) if up > 1e-3 else 0.0


def diffuse_share(clearness: float) -> float:
    """Give the share of the global irradiance that is diffuse, by Erbs, Klein and Duffie.

    Args:
        clearness: global irradiance over what arrives outside the air on the same flat ground, 0 to 1.
    """
    if clearness <= 0.22:
        return 1.0 - 0.09 * clearness
    if clearness > 0.80:
        return 0.165
    return 0.9511 + clearness * (-0.1604 + clearness * (4.388 + clearness * (-16.638 + clearness * 12.336)))


def on_panel_w_m2(utc_s: float, zenith_deg: float, azimuth_deg: float, tilt_deg: float, facing_deg: float) -> float:
    """Give the irradiance on a tilted panel under a clear sky, W/m2.

    Args:
        utc_s: seconds since 1970 UTC; only the distance of the sun hangs on it.
        zenith_deg, azimuth_deg: where the sun stands, degrees, azimuth from north over east.
        tilt_deg: of the panel, 0 is flat. facing_deg: azimuth that it faces.
    """
    level = haurwitz_w_m2(zenith_deg)
    if level <= 0.0:
        return 0.0
    up = cos(radians(zenith_deg))
    outside = SOLAR_CONSTANT_W_M2 * (1.0 + 0.033 * cos(2.0 * pi * utc_s / _YEAR_S)) * up
    diffuse = level * diffuse_share(min(1.0, level / outside))
    lean = radians(tilt_deg)
    zenith = radians(zenith_deg)
    incidence = up * cos(lean) + sin(zenith) * sin(lean) * cos(radians(azimuth_deg - facing_deg))
    # Against a sun on the horizon the beam would be divided by nothing: 3 degrees are enough.
    beam = (level - diffuse) / max(up, 0.052) * max(0.0, incidence)
    return beam + diffuse * (1.0 + cos(lean)) / 2.0 + level * GROUND_REFLECTION * (1.0 - cos(lean)) / 2.0
