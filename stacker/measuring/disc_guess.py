"""Where a disc may be: a circle through edges of what is bright, before the fit proper."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.disc_model import DiscView, Place, on_disc

Real = NDArray[np.float64]

_TRIALS = 300
_TOLERANCE = 0.03
_RING_RADII = 2.27
"""Outer edge of Saturn's ring A over the equatorial radius."""
_SMALLEST_PX = 4.0


def guess_discs(
    picture: Real, good: NDArray[np.bool_], view: DiscView, pole_angle_deg: float | None, free: bool
) -> list[Place]:
    """Return guesses for the disc in `picture` (H, W), one a pole angle to try; none where nothing is bright."""
    bright = _bright(picture, good)
    if bright is None:
        return []
    if view.rings:
        return _ringed(bright, view, pole_angle_deg)
    edge = _edge(bright, good)
    if len(edge) < 12:
        return []
    if pole_angle_deg is not None:
        angles = [pole_angle_deg]
    elif free:
        angles = list(np.arange(0.0, 360.0 if view.phase_angle_deg > 5.0 else 180.0, 30.0))
    else:
        angles = [0.0]
    guesses = (_round_disc(edge, bright, view, float(angle)) for angle in angles)
    return [guess for guess in guesses if guess is not None]


def _bright(picture: Real, good: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """Return the largest connected part brighter than Otsu's threshold, holes filled."""
    if good.sum() < 100:
        return None
    low, high = np.percentile(picture[good], [0.5, 99.8])
    if not high > low:
        return None
    scaled = (np.clip((picture - low) / (high - low), 0, 1) * 255).astype(np.uint8)
    scaled = cv2.GaussianBlur(scaled, (0, 0), 1.2)
    _, mask = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    count, labels, stats, _ = cv2.connectedComponentsWithStats((mask > 0).astype(np.uint8))
    if count < 2:
        return None
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    if stats[largest, cv2.CC_STAT_AREA] < np.pi * _SMALLEST_PX**2:
        return None
    outlines, _ = cv2.findContours((labels == largest).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(picture.shape, np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, cv2.FILLED)
    return np.asarray(filled > 0)


def _edge(bright: NDArray[np.bool_], good: NDArray[np.bool_]) -> Real:
    """Return the outline's points (N, 2), row and column, without those at the border or at unusable pixels."""
    outlines, _ = cv2.findContours(bright.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = np.concatenate([outline[:, 0, ::-1] for outline in outlines])
    inner = cv2.erode(good.astype(np.uint8), np.ones((5, 5), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(points[inner[points[:, 0], points[:, 1]] > 0], np.float64)


def _round_disc(edge: Real, bright: NDArray[np.bool_], view: DiscView, pole_angle_deg: float) -> Place | None:
    """Return the circle that most of the edge agrees with, once the known flattening is taken out."""
    x, y = on_disc(view, pole_angle_deg, edge[:, 0], edge[:, 1])
    points = np.stack([x, y / view.axis_ratio], 1)
    rng = np.random.default_rng(0)
    best: tuple[int, NDArray[np.bool_]] | None = None
    for _ in range(_TRIALS):
        centre, radius = _circle(points[rng.choice(len(points), 3, replace=False)])
        if not _SMALLEST_PX < radius < 4.0 * max(bright.shape):
            continue
        close = np.abs(np.hypot(*(points - centre).T) - radius) < max(1.0, _TOLERANCE * radius)
        if best is None or int(close.sum()) > best[0]:
            best = int(close.sum()), close
    if best is None or best[0] < 12:
        return None
    centre, radius = _circle(points[best[1]])
    back = _back(view, pole_angle_deg, float(centre[0]), float(centre[1]) * view.axis_ratio)
    return _start(*back, float(radius), pole_angle_deg)


def _start(y: float, x: float, radius_px: float, pole_angle_deg: float) -> Place:
    return Place(y, x, radius_px, pole_angle_deg, 0.8, min(2.0, 0.1 * radius_px), 0.3)


def _circle(points: Real) -> tuple[Real, float]:
    """Return centre and radius of the circle nearest to points (N, 2) (Kasa 1976, IEEE Trans. Instrum. Meas. 25, 8)."""
    origin = points.mean(0)
    moved = points - origin
    columns = np.concatenate([moved, np.ones((len(points), 1))], 1)
    solution, *_ = np.linalg.lstsq(columns, (moved**2).sum(1), rcond=None)
    centre = 0.5 * solution[:2]
    return centre + origin, float(np.sqrt(max(solution[2] + centre @ centre, 0.0)))


def _ringed(bright: NDArray[np.bool_], view: DiscView, pole_angle_deg: float | None) -> list[Place]:
    """Return the disc in the middle of a bright ring: the ring's ends tell its centre and its size."""
    rows, columns = np.nonzero(bright)
    centre = np.array([rows.mean(), columns.mean()])
    offsets = np.stack([rows, columns], 1) - centre
    if pole_angle_deg is None:
        long_axis = np.linalg.eigh(offsets.T @ offsets)[1][:, -1]
        pole_angle_deg = float(np.rad2deg(np.arctan2(-long_axis[0], long_axis[1])))
    x, _ = on_disc(view, pole_angle_deg, offsets[:, 0], offsets[:, 1])
    radius = 0.5 * float(x.max() - x.min()) / _RING_RADII
    return [_start(float(centre[0]), float(centre[1]), radius, pole_angle_deg)] if radius > _SMALLEST_PX else []


def _back(view: DiscView, pole_angle_deg: float, x: float, y: float) -> tuple[float, float]:
    """Return row and column of a point given along the equator and towards the pole: the inverse of `on_disc`."""
    tilt = np.deg2rad(pole_angle_deg)
    along = -x if view.mirrored else x
    return float(-np.sin(tilt) * along - np.cos(tilt) * y), float(np.cos(tilt) * along - np.sin(tilt) * y)
