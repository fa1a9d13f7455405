"""Where the bodies and the observer are: barycentric vectors (ICRF) from analytic series, no files.

Planets: Simon et al. 1994, Astron. Astrophys. 282, 663, with further terms to some 6 seconds of arc.
Moon: Meeus, Astronomical Algorithms (from ELP2000-82), within 10 seconds of arc. Earth: the series of ERFA's `epv00`.
"""

from __future__ import annotations

from dataclasses import dataclass

import erfa
import numpy as np
from numpy.typing import NDArray

from stacker.sky.moments import J2000, Moment
from stacker.sky.series_terms import corrected_planet_au, more_lunar_distance_km

Vector = NDArray[np.float64]
AU_KM = 149597870.7
LIGHT_DAYS_PER_AU = 499.004783836 / 86400.0
_ORDER = {"Mercury": 1, "Venus": 2, "Mars": 4, "Jupiter": 5, "Saturn": 6, "Uranus": 7, "Neptune": 8}


@dataclass(frozen=True)
class Site:
    """Where the telescope stands; longitude is east positive, latitude geodetic."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
    name: str | None = None

    def __post_init__(self) -> None:
        """Raise ValueError for a place that is not on the Earth."""
        for value, low, high, what in (
            (self.latitude_deg, -90, 90, "latitude"),
            (self.longitude_deg, -180, 360, "longitude"),
            (self.elevation_m, -1000, 20000, "elevation"),
        ):
            if not low <= value <= high:
                raise ValueError(f"{what} is {value}; give {low} to {high}")

    def place(self, digits: int = 2) -> str:
        """Return latitude and longitude in words, such as 33.90 S, 18.40 E."""
        longitude_deg = (self.longitude_deg + 180.0) % 360.0 - 180.0
        north, east = "S" if self.latitude_deg < 0 else "N", "W" if longitude_deg < 0 else "E"
        return f"{abs(self.latitude_deg):.{digits}f} {north}, {abs(longitude_deg):.{digits}f} {east}"


@dataclass(frozen=True)
class Observer:
    """The observer at one moment: the Earth's centre, or a site on it."""

    moment: Moment
    position_au: Vector
    """(3,) barycentric."""
    velocity_au_per_day: Vector
    to_sun_au: Vector
    """(3,) from the observer."""
    true_of_date: Vector
    """(3, 3) from the ICRF to the true equator and equinox of date."""
    sidereal_rad: float
    """Greenwich apparent sidereal time."""


def observer_at(moment: Moment, site: Site | None = None) -> Observer:
    """Return the observer at `moment`: at the site, or at the Earth's centre where it is None."""
    tt = (J2000, moment.tt_days)
    around_sun, barycentric = erfa.epv00(*tt)
    matrix = erfa.pnm06a(*tt)
    sidereal = float(erfa.gst06(J2000, moment.ut1_days, *tt, matrix))
    offset = np.zeros(3)
    if site is not None:
        place = erfa.gd2gc(1, np.deg2rad(site.longitude_deg), np.deg2rad(site.latitude_deg), site.elevation_m)
        turned = erfa.rxp(erfa.rz(-sidereal, np.eye(3)), place)
        offset = erfa.trxp(matrix, turned) / (1e3 * AU_KM)
    return Observer(
        moment, barycentric["p"] + offset, barycentric["v"], -around_sun["p"] - offset, np.asarray(matrix), sidereal
    )


def position_au(name: str, tt_days: float) -> Vector:
    """Return the barycentric position (3,) of a body at a moment in days (TT) after J2000."""
    around_sun, barycentric = erfa.epv00(J2000, tt_days)
    earth = barycentric["p"]
    if name == "Moon":
        around_earth = np.asarray(erfa.moon98(J2000, tt_days)["p"])
        distance = float(np.linalg.norm(around_earth))
        return np.asarray(earth + around_earth * (1.0 + more_lunar_distance_km(tt_days) / (AU_KM * distance)))
    sun = earth - around_sun["p"]
    if name == "Sun":
        return np.asarray(sun)
    around_sun = np.asarray(erfa.plan94(J2000, tt_days, _ORDER[name])["p"])
    return np.asarray(sun + corrected_planet_au(name, around_sun, tt_days))


def seen_from(observer: Observer, name: str) -> tuple[Vector, float]:
    """Return the vector (3,) in au from the observer to the body as it was when the light left, and that time.

    The time is in days (TT) after J2000.
    """
    left = observer.moment.tt_days
    for _ in range(3):
        sight = position_au(name, left) - observer.position_au
        left = observer.moment.tt_days - LIGHT_DAYS_PER_AU * float(np.linalg.norm(sight))
    return sight, left


def apparent_direction(observer: Observer, sight_au: Vector) -> Vector:
    """Return the unit vector (3,) in which the body is seen, true equator and equinox of date, aberration included.

    Bending of light by the Sun (at most 1.75 seconds of arc, at its limb) is left out.
    """
    speed = observer.velocity_au_per_day * LIGHT_DAYS_PER_AU
    distance = float(np.linalg.norm(observer.to_sun_au))
    direction = erfa.ab(sight_au / np.linalg.norm(sight_au), speed, distance, float(np.sqrt(1.0 - speed @ speed)))
    return np.asarray(observer.true_of_date @ direction)
