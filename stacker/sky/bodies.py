"""Shape and rotation of the Sun, the Moon and the planets.

Archinal et al. 2018, Celest. Mech. Dyn. Astron. 130:22, "Report of the IAU Working Group on Cartographic Coordinates
and Rotational Elements: 2015", tables 1, 2, 4 and 5. The Moon's series, which that report leaves to lunar ephemerides,
is that of Archinal et al. 2011, Celest. Mech. Dyn. Astron. 109, 101 (the report for 2009). Radius of the Sun: IAU 2015
resolution B3 (nominal). The rotation systems I and II of Jupiter: Archinal et al. 2018, note to table 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from stacker.sky.moments import DAYS_PER_CENTURY

Series = tuple[tuple[float, float, float], ...]
"""Amplitude in degrees, phase in degrees, rate in degrees per day."""


@dataclass(frozen=True)
class Body:
    """One body's spheroid and how it turns."""

    name: str
    equator_km: float
    pole_km: float
    right_ascension: tuple[float, float]
    """Of the north pole, ICRF, in degrees: at J2000 and per century."""
    declination: tuple[float, float]
    turn: Mapping[str, tuple[float, float]]
    """Prime meridian from the node in degrees at J2000 and per day, by rotation system; "" where there is but one."""
    right_ascension_series: Series = ()
    """Sines."""
    declination_series: Series = ()
    """Cosines."""
    turn_series: Series = ()
    """Sines."""
    eastward: bool = False
    """Whether longitudes grow eastward: by custom on the Sun and the Moon, and on bodies that turn backwards."""
    rings: bool = False
    """Whether amateurs see its rings."""

    @property
    def flattening(self) -> float:
        """Return 1 - polar over equatorial radius."""
        return 1.0 - self.pole_km / self.equator_km

    def pole_deg(self, days: float) -> tuple[float, float]:
        """Return right ascension and declination of the north pole, ICRF, `days` (TDB) after J2000."""
        centuries = days / DAYS_PER_CENTURY
        ascension = self.right_ascension[0] + self.right_ascension[1] * centuries
        declination = self.declination[0] + self.declination[1] * centuries
        ascension += _sum(self.right_ascension_series, days, math.sin)
        return ascension, declination + _sum(self.declination_series, days, math.cos)

    def prime_meridian_deg(self, days: float) -> dict[str, float]:
        """Return the angle of the prime meridian from the node, 0 to 360, by rotation system."""
        wobble = _sum(self.turn_series, days, math.sin)
        return {name: (start + rate * days + wobble) % 360.0 for name, (start, rate) in self.turn.items()}


def _sum(series: Series, days: float, wave: Callable[[float], float]) -> float:
    return math.fsum(size * wave(math.radians((phase + rate * days) % 360.0)) for size, phase, rate in series)


def _per_century(*terms: tuple[float, float, float]) -> Series:
    return tuple((size, phase, rate / DAYS_PER_CENTURY) for size, phase, rate in terms)


_MOON_ANGLES = (
    (125.045, -0.0529921),
    (250.089, -0.1059842),
    (260.008, 13.0120009),
    (176.625, 13.3407154),
    (357.529, 0.9856003),
    (311.589, 26.4057084),
    (134.963, 13.0649930),
    (276.617, 0.3287146),
    (34.226, 1.7484877),
    (15.134, -0.1589763),
    (119.743, 0.0036096),
    (239.961, 0.1643573),
    (25.053, 12.9590088),
)
_JUPITER_ANGLES = (
    (99.360714, 4850.4046),
    (175.895369, 1191.9605),
    (300.323162, 262.5475),
    (114.012305, 6070.2476),
    (49.511251, 64.3000),
)


def _moon(sizes: Mapping[int, float]) -> Series:
    return tuple((size, *_MOON_ANGLES[number - 1]) for number, size in sizes.items())


def _jupiter(*sizes: float) -> Series:
    return _per_century(*((size, *angle) for size, angle in zip(sizes, _JUPITER_ANGLES, strict=True)))


SUN = Body("Sun", 695700.0, 695700.0, (286.13, 0.0), (63.87, 0.0), {"": (84.176, 14.1844)}, eastward=True)
MOON = Body(
    "Moon",
    1737.4,
    1737.4,
    (269.9949, 0.0031),
    (66.5392, 0.0130),
    {"": (38.3213, 13.17635815)},
    _moon({1: -3.8787, 2: -0.1204, 3: 0.0700, 4: -0.0172, 6: 0.0072, 10: -0.0052, 13: 0.0043}),
    _moon({1: 1.5419, 2: 0.0239, 3: -0.0278, 4: 0.0068, 6: -0.0029, 7: 0.0009, 10: 0.0008, 13: -0.0009}),
    _moon(
        {
            1: 3.5610,
            2: 0.1208,
            3: -0.0642,
            4: 0.0158,
            5: 0.0252,
            6: -0.0066,
            7: -0.0047,
            8: -0.0046,
            9: 0.0028,
            10: 0.0052,
            11: 0.0040,
            12: 0.0019,
            13: -0.0044,
        }
    ),
    eastward=True,
)
MERCURY = Body(
    "Mercury",
    2440.53,
    2438.26,
    (281.0103, -0.0328),
    (61.4155, -0.0049),
    {"": (329.5988, 6.1385108)},
    turn_series=(
        (0.01067257, 174.7910857, 4.092335),
        (-0.00112309, 349.5821714, 8.184670),
        (-0.00011040, 164.3732571, 12.277005),
        (-0.00002539, 339.1643429, 16.369340),
        (-0.00000571, 153.9554286, 20.461675),
    ),
)
VENUS = Body("Venus", 6051.8, 6051.8, (272.76, 0.0), (67.16, 0.0), {"": (160.20, -1.4813688)}, eastward=True)
MARS = Body(
    "Mars",
    3396.19,
    3376.20,
    (317.269202, -0.10927547),
    (54.432516, -0.05827105),
    {"": (176.049863, 350.891982443297)},
    _per_century(
        (0.000068, 198.991226, 19139.4819985),
        (0.000238, 226.292679, 38280.8511281),
        (0.000052, 249.663391, 57420.7251593),
        (0.000009, 266.183510, 76560.6367950),
        (0.419057, 79.398797, 0.5042615),
    ),
    _per_century(
        (0.000051, 122.433576, 19139.9407476),
        (0.000141, 43.058401, 38280.8753272),
        (0.000031, 57.663379, 57420.7517205),
        (0.000005, 79.476401, 76560.6495004),
        (1.591274, 166.325722, 0.5042615),
    ),
    _per_century(
        (0.000145, 129.071773, 19140.0328244),
        (0.000157, 36.352167, 38281.0473591),
        (0.000040, 56.668646, 57420.9295360),
        (0.000001, 67.364003, 76560.2552215),
        (0.000001, 104.792680, 95700.4387578),
        (0.584542, 95.391654, 0.5042615),
    ),
)
JUPITER = Body(
    "Jupiter",
    71492.0,
    66854.0,
    (268.056595, -0.006499),
    (64.495303, 0.002413),
    {"I": (67.1, 877.900), "II": (43.3, 870.270), "III": (284.95, 870.5360000)},
    _jupiter(0.000117, 0.000938, 0.001432, 0.000030, 0.002150),
    _jupiter(0.000050, 0.000404, 0.000617, -0.000013, 0.000926),
)
SATURN = Body(
    "Saturn",
    60268.0,
    54364.0,
    (40.589, -0.036),
    (83.537, -0.004),
    {"III": (38.90, 810.7939024)},
    rings=True,
)
URANUS = Body(
    "Uranus", 25559.0, 24973.0, (257.311, 0.0), (-15.175, 0.0), {"III": (203.81, -501.1600928)}, eastward=True
)
_NEPTUNE_NODE = (357.85, 52.316)
NEPTUNE = Body(
    "Neptune",
    24764.0,
    24341.0,
    (299.36, 0.0),
    (43.46, 0.0),
    {"III": (249.978, 541.1397757)},
    _per_century((0.70, *_NEPTUNE_NODE)),
    _per_century((-0.51, *_NEPTUNE_NODE)),
    _per_century((-0.48, *_NEPTUNE_NODE)),
)
BODIES = {body.name.lower(): body for body in (SUN, MOON, MERCURY, VENUS, MARS, JUPITER, SATURN, URANUS, NEPTUNE)}
"""By name in small letters."""
SATURN_RING_RADII = 2.27
"""Outer edge of ring A over the equatorial radius: 136775 km (Cuzzi et al. 1984)."""


def body_named(name: str) -> Body:
    """Return a body by its name in any case. Raises ValueError that lists the known ones."""
    body = BODIES.get(name.strip().lower())
    if body is None:
        raise ValueError(f"unknown target '{name}'; known are {', '.join(entry.name for entry in BODIES.values())}")
    return body
