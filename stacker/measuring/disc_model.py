"""A lit, limb-darkened spheroid as a telescope shows it: what the disc fit compares a picture with."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.sky.ephemeris import Look

Real = NDArray[np.float64]
_SAMPLES = 3
_RING_RADII = (1.15, 2.4)
"""Inner and outer bound of what Saturn's rings may cover, in equatorial radii, blur included."""


@dataclass(frozen=True)
class DiscView:
    """How a spheroid stands towards the observer and the Sun. Angles in the picture run counter-clockwise from up."""

    flattening: float = 0.0
    """1 - polar over equatorial radius."""
    sub_latitude_deg: float = 0.0
    """Planetocentric latitude of the disc's middle."""
    phase_angle_deg: float = 0.0
    sun_from_pole_deg: float = 0.0
    """Position angle of the sunlit limb's middle minus that of the north pole."""
    rings: bool = False
    """Whether rings like Saturn's must be left out."""
    mirrored: bool = False
    """Whether the picture is a mirror image (an odd number of reflections)."""

    def __post_init__(self) -> None:
        """Raise ValueError for a shape or a phase that cannot be."""
        if not 0.0 <= self.flattening < 0.5:
            raise ValueError(f"flattening is {self.flattening}; give 0 to less than 0.5")
        if not 0.0 <= self.phase_angle_deg < 120.0:
            raise ValueError(f"phase_angle_deg is {self.phase_angle_deg}; a thinner crescent than 120 is not fitted")

    @property
    def axis_ratio(self) -> float:
        """Return the outline's minor over major axis: sqrt(sin^2 B + (1 - f)^2 cos^2 B)."""
        latitude = np.deg2rad(self.sub_latitude_deg)
        return float(np.hypot(np.sin(latitude), (1.0 - self.flattening) * np.cos(latitude)))


def view_of(look: Look, *, mirrored: bool = False) -> DiscView:
    """Return the view of a target as the ephemeris has it."""
    turn = 0.0 if look.bright_limb_angle_deg is None else look.bright_limb_angle_deg - look.pole_angle_deg
    return DiscView(
        look.body.flattening,
        look.sub_latitude_deg,
        look.phase_angle_deg or 0.0,
        turn % 360.0,
        look.body.rings,
        mirrored,
    )


def on_disc(view: DiscView, pole_angle_deg: float, down: Real, right: Real) -> tuple[Real, Real]:
    """Return the coordinates of picture offsets along the disc's equator and towards its pole."""
    tilt = np.deg2rad(pole_angle_deg)
    along = np.cos(tilt) * right - np.sin(tilt) * down
    return (-along if view.mirrored else along), -np.sin(tilt) * right - np.cos(tilt) * down


def shade(view: DiscView, limb_darkening: float, x: Real, y: Real) -> Real:
    """Return the brightness at `x` along the equator and `y` towards the pole, in equatorial radii; 0 beside the disc.

    Minnaert 1941, Astrophys. J. 93, 403: mu0^k mu^(k-1), 1 where Sun and observer stand above the surface.
    """
    lean = np.deg2rad(view.sub_latitude_deg)
    squash = (1.0 - view.flattening) ** -2 - 1.0
    sin, cos = float(np.sin(lean)), float(np.cos(lean))
    a, half_b = 1.0 + squash * sin**2, squash * sin * cos * y
    under = half_b**2 - a * (x**2 + y**2 * (1.0 + squash * cos**2) - 1.0)
    z = (-half_b + np.sqrt(np.maximum(under, 0.0))) / a
    polar = squash * (y * cos + z * sin)
    facing, upward = z + polar * sin, y + polar * cos
    length = np.sqrt(x**2 + upward**2 + facing**2)
    mu = np.maximum(facing / length, 1e-3)
    phase, turn = np.deg2rad(view.phase_angle_deg), np.deg2rad(view.sun_from_pole_deg)
    sunward = (facing * np.cos(phase) + (upward * np.cos(turn) - x * np.sin(turn)) * np.sin(phase)) / length
    lit = (under > 0.0) & (sunward > 0.0)
    light = np.maximum(sunward, 1e-6) ** limb_darkening * mu ** (limb_darkening - 1.0)
    return np.asarray(np.where(lit, light, 0.0))


def beside_rings(view: DiscView, x: Real, y: Real) -> NDArray[np.bool_]:
    """Return where no ring can be, for coordinates as in `shade`."""
    if not view.rings:
        return np.ones(np.broadcast(x, y).shape, bool)
    opening = max(abs(float(np.sin(np.deg2rad(view.sub_latitude_deg)))), 0.02)
    radius = np.hypot(x, y / opening)
    return np.asarray((radius < _RING_RADII[0]) | (radius > _RING_RADII[1]))


@dataclass(frozen=True)
class Place:
    """A disc in a picture."""

    y: float
    """Row of its centre."""
    x: float
    radius_px: float
    """Equatorial."""
    pole_angle_deg: float
    limb_darkening: float
    blur_px: float
    """Sigma of the Gaussian part of the blur."""
    wing_px: float = 0.0
    """Scale of the blur's wings: its transfer is exp(-2 pi wing f - 2 (pi sigma f)^2)."""


class DrawnDisc:
    """A disc in the rows and columns `[first, end)` of a picture, as sharp as it is and blurred.

    Pixels average 3 x 3 samples. The blur's transfer exp(-2 pi w f - 2 (pi s f)^2) has the straight start of every
    aperture's (light scattered by its edge falls as the cube of the distance) and the round one of shaken or turbulent
    images. What lies outside the window blurs into it as it should.
    """

    def __init__(self, view: DiscView, place: Place, rows: tuple[int, int], columns: tuple[int, int]) -> None:
        """Draw it."""
        self.place = place
        margin = int(np.ceil(4.0 * place.blur_px + 8.0 * place.wing_px)) + 4
        reach = place.radius_px + margin
        first = min(rows[0] - margin, int(place.y - reach)), min(columns[0] - margin, int(place.x - reach))
        end = max(rows[1] + margin, int(place.y + reach)), max(columns[1] + margin, int(place.x + reach))
        shape = tuple(cv2.getOptimalDFTSize(e - f) for f, e in zip(first, end, strict=True))
        self._cut = tuple(slice(w[0] - f, w[1] - f) for w, f in zip((rows, columns), first, strict=True))
        self._shape = shape
        down = _samples(first[0], first[0] + shape[0], _SAMPLES) - place.y
        right = _samples(first[1], first[1] + shape[1], _SAMPLES) - place.x
        x, y = on_disc(view, place.pole_angle_deg, down[:, None] / place.radius_px, right[None, :] / place.radius_px)
        picture = shade(view, place.limb_darkening, x, y)
        sharp = cv2.resize(picture, shape[::-1], interpolation=cv2.INTER_AREA)
        self._fy = np.fft.fftfreq(shape[0])[:, None]
        self._fx = np.fft.rfftfreq(shape[1])[None, :]
        self._f = np.hypot(self._fy, self._fx)
        transfer = np.exp(-2.0 * np.pi * place.wing_px * self._f - 2.0 * (np.pi * place.blur_px * self._f) ** 2)
        self._spectrum = np.fft.rfft2(sharp) * transfer

    def picture(self) -> Real:
        """Return the blurred disc in the window."""
        return self._seen(1.0)

    def slopes(self) -> tuple[Real, Real]:
        """Return its change per row and per column."""
        return self._seen(2j * np.pi * self._fy), self._seen(2j * np.pi * self._fx)

    def softer(self) -> tuple[Real, Real]:
        """Return its change per pixel of blur and per pixel of wing."""
        return (
            self._seen(-4.0 * np.pi**2 * self.place.blur_px * self._f**2),
            self._seen(-2.0 * np.pi * self._f),
        )

    def _seen(self, factor: NDArray[np.generic] | float) -> Real:
        return np.asarray(np.fft.irfft2(self._spectrum * factor, self._shape)[self._cut])


def _samples(first: int, end: int, fine: int) -> Real:
    return np.asarray((np.arange((end - first) * fine) + 0.5) / fine - 0.5 + first)
