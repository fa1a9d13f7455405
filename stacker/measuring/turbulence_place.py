"""Image motion as a bound on Fried's parameter, and what it tells about where the turbulence sits."""

from __future__ import annotations

from math import isfinite

TILT_VARIANCE = 0.182
"""Variance of Zernike tilt along one axis, in (lambda / D)^2 (D / r0)^(5/3): Noll 1976, J. Opt. Soc. Am. 66, 207."""
_LEAST_MOTION = 1e-3
_WELL_APART = 1.0
_NEAR_GROUND, _HIGH = 0.15, 0.5


def tilt_bound(variance: float, aperture_mm: float) -> float | None:
    """Return r0 in mm if the whole image's motion, along one axis in (lambda / D)^2, were all the air's tilt.

    None where the image does not move. Limits: a shaking mount makes it too small; an outer scale of 20 m, or the share
    that the mount's drift takes, up to twice too large.
    """
    if not isfinite(variance) or variance < _LEAST_MOTION:
        return None
    return float(aperture_mm * (TILT_VARIANCE / variance) ** 0.6)


def differential_bound(farthest: tuple[float, float] | None, aperture_mm: float) -> float | None:
    """Return an upper bound of r0 in mm from (separation, variance along one axis) of the patches farthest apart.

    Two beams that have nothing in common differ by twice the variance of one; beams in the same air do not differ.
    """
    if farthest is None or farthest[1] < _LEAST_MOTION:
        return None
    return float(aperture_mm * (2.0 * TILT_VARIANCE / farthest[1]) ** 0.6)


def place_of_turbulence(farthest: tuple[float, float] | None, aperture_over_r0: float, beam_apart: float) -> str:
    """Return a sentence on where the turbulence sits; empty where the patches do not tell.

    `beam_apart` is the distance at 2 km, in apertures, of beams one patch apart. What all patches share is near the
    telescope, or in layers so low that their beams still overlap.
    """
    if farthest is None or farthest[0] * beam_apart < _WELL_APART:
        return ""
    share = farthest[1] / (2.0 * TILT_VARIANCE * aperture_over_r0 ** (5.0 / 3.0))
    if share < _NEAR_GROUND:
        return "most of the turbulence is near the ground or in the telescope: let the tube cool, try another spot"
    if share > _HIGH:
        return "most of the turbulence is high above the ground: only another night will help"
    return "part of the turbulence is near the ground, part of it high"
