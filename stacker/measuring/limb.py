"""The limb's profile: ringing that sharpening left on either side of it.

A telescope's image of a disc has no bright rim inside its limb and no moat darker than the sky outside it, since a
point spread function is nowhere negative. What shows there in a sharpened image was made by the sharpening.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float32]
Curve = NDArray[np.float64]

_DIRECTIONS = 180
_STEP_PX = 0.25
_FEWEST_SHARE = 0.25
_DEPTH = 0.15
_LEAST_DEPTH_PX = 6.0


@dataclass(frozen=True)
class LimbProfile:
    """The mean run of brightness across the limb, sky 0 and disc about 1."""

    distance_px: Curve
    """(K,) from the limb, positive outward."""
    brightness: Curve
    """(K,) median over the directions in which the limb is a clean edge."""
    error: Curve
    """(K,) standard error of `brightness`."""
    radius_px: float
    """Mean distance of the limb from the centre."""
    directions: int


@dataclass(frozen=True)
class LimbOvershoot:
    """Ringing at the limb in percent of the disc's level."""

    inside_percent: float
    outside_percent: float
    error_percent: float


def limb_profile(image: Real, mask: NDArray[np.bool_]) -> LimbProfile | None:
    """Return the profile across the limb of a disc in `image` (H, W); `mask` is True on the disc, limb included.

    The limb is where each direction's brightness falls through half the level near the mask's edge. Directions whose
    edge is far from the smooth outline, or far softer than the rest (a terminator, a ring in front), are left out.
    None where fewer than a quarter of the directions are clean.
    """
    rows, columns = np.nonzero(mask)
    if len(rows) < 50:
        return None
    centre = float(rows.mean()), float(columns.mean())
    reach = 0.5 * np.sqrt(len(rows) / np.pi)
    angle = (np.arange(_DIRECTIONS) + 0.5) * 2.0 * np.pi / _DIRECTIONS
    edge = _edge_of_mask(mask, centre, angle)
    along = np.arange(-reach, reach, _STEP_PX)
    runs = _sample(image, centre, angle, edge[:, None] + along)
    sky = float(np.median(runs[:, -int(len(along) / 6) :]))
    disc = float(np.median(runs[:, : int(len(along) / 3)]))
    if not disc > sky:
        return None
    runs = (runs - sky) / (disc - sky)
    crossing = np.array([_half_crossing(run, along) for run in runs])
    limb = edge + crossing
    clean = _clean_directions(limb, runs, angle)
    if clean.sum() < _FEWEST_SHARE * _DIRECTIONS:
        return None
    outline = _outline(limb, angle, clean)
    inner = np.arange(-0.9 * reach, 0.9 * reach, _STEP_PX)
    runs = (_sample(image, centre, angle[clean], outline[clean, None] + inner) - sky) / (disc - sky)
    spread = 1.4826 * np.median(np.abs(runs - np.median(runs, 0)), 0)
    return LimbProfile(
        inner,
        np.median(runs, 0),
        1.2533 * spread / np.sqrt(clean.sum()),
        float(outline[clean].mean()),
        int(clean.sum()),
    )


def limb_overshoot(image: Real, mask: NDArray[np.bool_]) -> LimbOvershoot | None:
    """Return the ringing at the limb of a disc in `image` (H, W), in percent of its level; None without a clean limb.

    Inside: how far the profile rises, trough to peak, going outward over the last 0.3 of the radius to the last 0.15,
    before it falls. Outside: how far it dips below the sky beyond the edge. Both are 0 for any disc that only darkens
    towards its limb, however blurred.
    """
    profile = limb_profile(image, mask)
    return None if profile is None else overshoot_of(profile)


def overshoot_of(profile: LimbProfile) -> LimbOvershoot:
    """Return the ringing in a limb profile; steps that its error explains (two sigma) do not count."""
    d, p = profile.distance_px, profile.brightness
    error = float(np.median(profile.error))
    depth = max(_LEAST_DEPTH_PX, _DEPTH * profile.radius_px)
    inner, at_limb = (d > -2.0 * depth) & (d < 0), d > -depth
    rise = float(np.max((p - np.minimum.accumulate(np.where(inner, p, np.inf)))[inner & at_limb], initial=0.0))
    outer = p[d > 0]
    lowest = int(outer.argmin())
    beyond = outer[max(lowest, int(0.7 * len(outer))) :]
    dip = float(np.median(beyond) - outer[lowest])
    return LimbOvershoot(
        100.0 * max(rise - 2.0 * error, 0.0), 100.0 * max(dip - 2.0 * error, 0.0), 100.0 * error * np.sqrt(2.0)
    )


def _edge_of_mask(mask: NDArray[np.bool_], centre: tuple[float, float], angle: Curve) -> Curve:
    """Return the distance from the centre at which the mask is left for good, in each direction."""
    along = np.arange(0.0, float(np.hypot(*mask.shape)), _STEP_PX)
    runs = _sample(mask.astype(np.float32), centre, angle, np.broadcast_to(along, (len(angle), len(along))), sky=0.0)
    last = len(along) - 1 - np.argmax(runs[:, ::-1] >= 0.5, axis=1)
    return np.asarray(along[last])


def _sample(
    image: Real, centre: tuple[float, float], angle: Curve, distance: Curve, sky: float | None = None
) -> NDArray[np.float64]:
    """Return the image along rays from the centre, (directions, distances); `sky` stands beyond the border."""
    y = (centre[0] + np.sin(angle)[:, None] * distance).astype(np.float32)
    x = (centre[1] + np.cos(angle)[:, None] * distance).astype(np.float32)
    border = cv2.BORDER_REPLICATE if sky is None else cv2.BORDER_CONSTANT
    return cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=border).astype(np.float64)


def _half_crossing(run: Curve, along: Curve) -> float:
    """Return where a run falls through one half for the last time; nan where it does not."""
    above = np.flatnonzero(run >= 0.5)
    if not len(above) or above[-1] + 1 >= len(run):
        return float("nan")
    k = above[-1]
    return float(along[k] + (along[k + 1] - along[k]) * (run[k] - 0.5) / max(run[k] - run[k + 1], 1e-9))


def _clean_directions(limb: Curve, runs: Curve, angle: Curve) -> NDArray[np.bool_]:
    """Return which directions show a clean edge on a smooth outline."""
    found = np.isfinite(limb)
    if found.sum() < 12:
        return found & False
    clean = found
    for _ in range(4):
        off = limb - _outline(limb, angle, clean)
        spread = max(1.4826 * float(np.median(np.abs(off[clean]))), 0.25)
        clean = found & (np.abs(off) < 3.0 * spread)
    steepness = -np.gradient(runs, axis=1).min(1)
    return np.asarray(clean & (steepness > 0.5 * np.median(steepness[clean])))


def _outline(limb: Curve, angle: Curve, clean: NDArray[np.bool_]) -> Curve:
    """Return the limb's distance as a low harmonic series in angle: an ellipse whose centre is a little off."""
    terms = [np.ones_like(angle)]
    for order in (1, 2, 4):
        terms += [np.cos(order * angle), np.sin(order * angle)]
    basis = np.stack(terms, 1)
    coefficients, *_ = np.linalg.lstsq(basis[clean], limb[clean], rcond=None)
    return np.asarray(basis @ coefficients)
