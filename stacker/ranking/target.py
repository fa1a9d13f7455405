"""Finding the target: a disc surrounded by sky, or a surface that fills the frame."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

DISC_EDGE = 0.3
"""Where a disc ends, as a fraction of its level above the sky: low enough to keep faint rings and a dark limb."""


@dataclass(frozen=True)
class Sighting:
    """What stands out of the sky in one binned frame."""

    disc: bool
    """Surrounded by flat, darker sky."""
    sky_adu: float
    level_adu: float
    """Median of the target above the sky."""
    noise_adu: float
    """Standard deviation of the plane's noise in the sky."""
    mask: NDArray[np.bool_]

    @property
    def significant(self) -> bool:
        """Whether the target stands well above the noise at all."""
        return self.level_adu > 5 * self.noise_adu and bool(self.mask.any())

    @property
    def diameter(self) -> float:
        """Diameter of the circle of the same area, in pixels of the plane."""
        return float(2 * np.sqrt(self.mask.sum() / np.pi))


def sight_target(plane: NDArray[np.float32]) -> Sighting:
    """Return what stands out of the sky in a binned frame freed of hot pixels, (h, w) in ADU.

    The sky is the median of the border where that is dark, else the darkest twentieth of the frame; the target is
    the brightest connected region. It counts as a disc when almost nothing of it touches the border and the rest
    of the frame is flat compared with the step up to it.
    """
    sky, noise = _sky_level(plane)
    smooth = np.asarray(cv2.blur(plane, (3, 3)), dtype=np.float32)
    peak = float(smooth.max()) - sky
    core = _largest_region(smooth > sky + 0.5 * peak, smooth - np.float32(sky))
    level = float(np.median(plane[core])) - sky if core.any() else 0.0
    mask = _largest_region(smooth > sky + max(DISC_EDGE * level, 2 * noise), smooth - np.float32(sky))
    return Sighting(_stands_in_sky(smooth, mask, sky, level), sky, level, noise, mask)


def _sky_level(plane: NDArray[np.float32]) -> tuple[float, float]:
    border = np.concatenate([plane[0], plane[-1], plane[:, 0], plane[:, -1]])
    low, high = (float(value) for value in np.percentile(plane, (5, 99.9)))
    median = float(np.median(border))
    sky = median if median - low < 0.15 * (high - low) else low
    rough = plane[:, 1:] - plane[:, :-1]
    dark = plane[:, 1:] < sky + 0.15 * max(high - low, 1e-6)
    steps = rough[dark] if dark.sum() > 20 else rough.ravel()
    return sky, float(1.4826 * np.median(np.abs(steps)) / np.sqrt(2)) + 1e-6


def _largest_region(above: NDArray[np.bool_], weight: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the connected region with the most light."""
    count, labels = cv2.connectedComponents(above.astype(np.uint8), connectivity=8)
    if count < 2:
        return np.zeros(above.shape, dtype=bool)
    light = np.bincount(labels.ravel(), weights=np.maximum(weight, 0).ravel(), minlength=count)
    return np.asarray(labels == 1 + int(np.argmax(light[1:])))


def _stands_in_sky(smooth: NDArray[np.float32], mask: NDArray[np.bool_], sky: float, level: float) -> bool:
    if not mask.any() or level <= 0 or mask.mean() > 0.8:
        return False
    border = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    if border.sum() > 0.5 * np.sqrt(mask.sum()):
        return False
    reach = max(3, int(0.15 * np.sqrt(mask.sum()))) | 1
    near = cv2.dilate(mask.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    if near.all():
        return True
    rest = (smooth[~near] - sky) / level
    spread = float(np.percentile(rest, 90) - np.percentile(rest, 10))
    # Scattered light and thin cloud brighten the sky a little; a surface varies by tens of percent.
    return spread < 0.12 and abs(float(np.median(rest))) < 0.12


def squared_depth(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return (H, W) the squared distance, px^2, of each True pixel of a mask (H, W) from the nearest False one."""
    distance = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE).astype(np.float64)
    # The library's last digit varies from process to process; squared distances between pixels are whole numbers.
    return np.asarray(np.rint(distance**2))


def enclosing_circle(mask: NDArray[np.bool_]) -> tuple[tuple[float, float], float]:
    """Return ((row, column), radius) of the smallest circle around a mask, in its pixels."""
    points = np.argwhere(mask)[:, ::-1].astype(np.float32)
    (column, row), radius = cv2.minEnclosingCircle(np.ascontiguousarray(points))
    return (float(row), float(column)), float(radius)
