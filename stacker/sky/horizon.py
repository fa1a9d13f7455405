"""The target against the horizon: altitude, azimuth, parallactic angle, and the turning field of altazimuth mounts."""

from __future__ import annotations

import math

from stacker.sky.eyepiece import SIDEREAL_ARCSEC_PER_S

_DEG_PER_S = SIDEREAL_ARCSEC_PER_S / 3600.0


def altitude_azimuth_deg(hour_angle_deg: float, declination_deg: float, latitude_deg: float) -> tuple[float, float]:
    """Return altitude (airless) and azimuth (from north through east, 0 to 360) of a direction."""
    h, d, p = (math.radians(value) for value in (hour_angle_deg, declination_deg, latitude_deg))
    north = math.cos(p) * math.sin(d) - math.sin(p) * math.cos(d) * math.cos(h)
    east = -math.cos(d) * math.sin(h)
    up = math.sin(p) * math.sin(d) + math.cos(p) * math.cos(d) * math.cos(h)
    return math.degrees(math.atan2(up, math.hypot(north, east))), math.degrees(math.atan2(east, north)) % 360.0


def parallactic_angle_deg(hour_angle_deg: float, declination_deg: float, latitude_deg: float) -> float:
    """Return the angle at the target from north to the zenith, through east: -180 to 180, positive in the west.

    Meeus, Astronomical Algorithms, equation 14.1. Undefined, and 0 here, at the zenith.
    """
    h, d, p = (math.radians(value) for value in (hour_angle_deg, declination_deg, latitude_deg))
    return math.degrees(
        math.atan2(math.sin(h) * math.cos(p), math.sin(p) * math.cos(d) - math.cos(p) * math.sin(d) * math.cos(h))
    )


def field_rotation_deg_per_s(altitude_deg: float, azimuth_deg: float, latitude_deg: float) -> float:
    """Return how fast the field of an altazimuth mount turns: the rate of the parallactic angle of a fixed star.

    15.041 arcsec/s times -cos(latitude) cos(azimuth) / cos(altitude); infinite at the zenith. It follows from the
    parallactic angle by differentiation.
    """
    shrink = math.cos(math.radians(altitude_deg))
    turn = -math.cos(math.radians(latitude_deg)) * math.cos(math.radians(azimuth_deg))
    return math.copysign(math.inf, turn) if shrink < 1e-9 else _DEG_PER_S * turn / shrink
