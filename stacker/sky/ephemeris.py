"""How the Sun, the Moon and the planets look from the Earth at a moment: place, size, phase, orientation."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from stacker.sky.bodies import Body, body_named
from stacker.sky.horizon import altitude_azimuth_deg, parallactic_angle_deg
from stacker.sky.moments import Moment, moment_of
from stacker.sky.refraction import air_mass
from stacker.sky.vectors import AU_KM, Observer, Site, Vector, apparent_direction, observer_at, position_au, seen_from

Meridian = float | dict[str, float] | None


@dataclass(frozen=True)
class Look:
    """One target at one moment; angles in degrees, None where they have no meaning.

    Geometric with the light's travel time; the true equator of date. From the site where one is given (the Moon's place
    and librations then are the site's), else from the Earth's centre.
    """

    body: Body
    moment: Moment
    site: Site | None
    distance_au: float
    diameter_arcsec: float
    """Equatorial."""
    lit_fraction: float | None
    phase_angle_deg: float | None
    """Sun - target - observer."""
    bright_limb_angle_deg: float | None
    """Position angle, from north through east, of the middle of the sunlit limb."""
    elongation_deg: float
    """Angle to the Sun's centre; 0 for the Sun."""
    central_meridian_deg: Meridian
    """Longitude of the disc's middle as maps count it: growing with time, 0 to 360, by rotation system for the giants.
    Sun: Carrington longitude. Moon: libration in longitude, -180 to 180, east positive."""
    sub_latitude_deg: float
    """Planetocentric latitude of the disc's middle."""
    sub_solar_latitude_deg: float | None
    pole_angle_deg: float
    """Position angle of the north pole, from north through east, 0 to 360."""
    ring_opening_deg: float | None
    """Latitude of the Earth above Saturn's rings, north positive."""
    right_ascension_deg: float
    """Apparent, true equator and equinox of date."""
    declination_deg: float
    altitude_deg: float | None
    """Airless: refraction lifts the target a little above it."""
    azimuth_deg: float | None
    airmass: float | None
    parallactic_angle_deg: float | None
    """From north to the zenith through east at the target."""


KEYS = (
    "distance_au",
    "diameter_arcsec",
    "lit_fraction",
    "phase_angle_deg",
    "central_meridian_deg",
    "sub_latitude_deg",
    "sub_solar_latitude_deg",
    "pole_angle_deg",
    "ring_opening_deg",
    "altitude_deg",
    "azimuth_deg",
    "airmass",
    "parallactic_angle_deg",
)
"""What is told of a look, beside target and time."""


def look_at(target: str, when_utc: datetime, site: Site | None = None) -> Look:
    """Return how a target looks at a moment. Raises ValueError for an unknown target or a year outside 1972 to 2100."""
    return look_from(observer_at(moment_of(when_utc), site), body_named(target), site)


def as_record(look: Look) -> dict[str, Any]:
    """Return a look under the names of `KEYS`, after `target` and `when_utc`."""
    when = look.moment.utc.replace(tzinfo=None).isoformat() + "Z"
    return {"target": look.body.name, "when_utc": when, **{key: getattr(look, key) for key in KEYS}}


def look_from(observer: Observer, body: Body, site: Site | None) -> Look:
    """Return how a body looks to an observer; `site` must be the observer's."""
    sight, left = seen_from(observer, body.name)
    distance = float(np.linalg.norm(sight))
    is_sun = body.name == "Sun"
    to_sun = position_au("Sun", left) - (observer.position_au + sight)
    phase = None if is_sun else _angle_deg(to_sun, -sight)
    axes = _axes(body, left)
    apparent = apparent_direction(observer, sight)
    latitude = _latitude_deg(axes, -sight)
    ascension, declination = _polar_deg(apparent)
    return Look(
        body,
        observer.moment,
        site,
        distance,
        2.0 * float(np.rad2deg(np.arcsin(body.equator_km / AU_KM / distance))) * 3600.0,
        None if phase is None else 0.5 * (1.0 + float(np.cos(np.deg2rad(phase)))),
        phase,
        None if is_sun else _position_angle_deg(observer, sight, observer.to_sun_au),
        0.0 if is_sun else _angle_deg(sight, observer.to_sun_au),
        _meridian(body, axes, -sight, left),
        latitude,
        None if is_sun else _latitude_deg(axes, to_sun),
        _position_angle_deg(observer, sight, axes[2]),
        latitude if body.rings else None,
        ascension % 360.0,
        declination,
        *_above_horizon(observer, site, ascension, declination),
    )


def _above_horizon(
    observer: Observer, site: Site | None, ascension_deg: float, declination_deg: float
) -> tuple[float | None, float | None, float | None, float | None]:
    """Return altitude, azimuth, air mass and parallactic angle; None without a site."""
    if site is None:
        return None, None, None, None
    hour_angle = float(np.rad2deg(observer.sidereal_rad)) + site.longitude_deg - ascension_deg
    altitude, azimuth = altitude_azimuth_deg(hour_angle, declination_deg, site.latitude_deg)
    parallactic = parallactic_angle_deg(hour_angle, declination_deg, site.latitude_deg)
    return altitude, azimuth, air_mass(altitude), parallactic


def _axes(body: Body, days: float) -> Vector:
    """Return the unit vectors (3, 3) of the node, of 90 degrees east of it on the body's equator, and of its pole."""
    ascension, declination = (np.deg2rad(value) for value in body.pole_deg(days))
    node = np.array([-np.sin(ascension), np.cos(ascension), 0.0])
    pole = np.array(
        [np.cos(declination) * np.cos(ascension), np.cos(declination) * np.sin(ascension), np.sin(declination)]
    )
    return np.stack([node, np.cross(pole, node), pole])


def _latitude_deg(axes: Vector, direction: Vector) -> float:
    return float(np.rad2deg(np.arcsin(axes[2] @ direction / np.linalg.norm(direction))))


def _meridian(body: Body, axes: Vector, outward: Vector, days: float) -> Meridian:
    from_node = float(np.rad2deg(np.arctan2(axes[1] @ outward, axes[0] @ outward)))
    east = {name: from_node - turn for name, turn in body.prime_meridian_deg(days).items()}
    longitude = {name: (value if body.eastward else -value) % 360.0 for name, value in east.items()}
    if body.name == "Moon":
        return (longitude[""] + 180.0) % 360.0 - 180.0
    return longitude.get("", longitude)


def _position_angle_deg(observer: Observer, sight: Vector, towards: Vector) -> float:
    """Return the position angle at the target of a direction seen from it or beyond it, 0 to 360."""
    at, there = observer.true_of_date @ sight, observer.true_of_date @ towards
    at = at / np.linalg.norm(at)
    east = np.array([-at[1], at[0], 0.0])
    east /= np.linalg.norm(east)
    return float(np.rad2deg(np.arctan2(there @ east, there @ np.cross(at, east)))) % 360.0


def _polar_deg(direction: Vector) -> tuple[float, float]:
    return (
        float(np.rad2deg(np.arctan2(direction[1], direction[0]))),
        float(np.rad2deg(np.arctan2(direction[2], np.hypot(direction[0], direction[1])))),
    )


def _angle_deg(one: Vector, other: Vector) -> float:
    return float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(one, other)), one @ other)))
