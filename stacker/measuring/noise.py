"""How much of an image is noise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.ranking.target import squared_depth

Real = NDArray[np.float32]

_SIGMA_OF_MAD = 1.4826
_SECOND_DIFFERENCE = np.outer((1.0, -2.0, 1.0), (1.0, -2.0, 1.0)).astype(np.float32) / 6.0


def stack_noise(half_a: Real, half_b: Real, where: NDArray[np.bool_]) -> float:
    """Return the noise per pixel (ADU, one sigma) of the mean of two half-stacks (H, W), from their difference.

    Robust: 1.4826 times the median absolute deviation of (a - b) / 2 over `where`, slow changes (16 px) taken out.
    Frame-to-frame blur and warp count as noise where they differ between the halves. Raises ValueError where
    `where` is empty.
    """
    _require_some(where)
    difference = 0.5 * (half_a - half_b)
    difference -= cv2.blur(difference, (33, 33), borderType=cv2.BORDER_REFLECT_101)
    return _robust_sigma(difference[where])


def frame_noise(frame: Real, where: NDArray[np.bool_]) -> float:
    """Return the noise per pixel (ADU, one sigma) of a single frame (H, W), float32.

    The second difference along both axes, (1, -2, 1) x (1, -2, 1) / 6, is blind to smooth structure and leaves white
    noise its size (Immerkaer 1996, Computer Vision and Image Understanding 64, 300); its median absolute deviation
    is blind to the few pixels on an edge. Limits: reads low where neighbouring pixels were interpolated (colours of
    a mosaic). Raises ValueError where `where` is empty.
    """
    _require_some(where)
    response = cv2.filter2D(frame, cv2.CV_32F, _SECOND_DIFFERENCE, borderType=cv2.BORDER_REFLECT_101)
    return _robust_sigma(np.asarray(response, np.float32)[where])


def level(image: Real, mask: NDArray[np.bool_], kind: str) -> float:
    """Return the target's level in ADU: the median inside the mask, less the sky's median for a `disc`.

    A surface shows no sky, so an offset of the camera counts as level there.
    """
    inside = float(np.median(image[mask]))
    sky = sky_of(mask) if kind == "disc" else np.zeros_like(mask)
    return inside - float(np.median(image[sky])) if sky.any() else inside


def sky_of(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where the sky is: outside the target by more than a tenth of its size."""
    return np.asarray(100 * squared_depth(~mask) > max(900, int(mask.sum())))


def _robust_sigma(values: Real) -> float:
    return float(_SIGMA_OF_MAD * np.median(np.abs(values - np.median(values))))


def _require_some(where: NDArray[np.bool_]) -> None:
    if not where.any():
        raise ValueError("no pixel to measure the noise on")
