"""Curves made smooth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]


def smoothed(curve: Float, sigma: float) -> Float:
    """Return a curve (n,) convolved with a Gaussian of `sigma` places, its ends held."""
    size = 2 * round(4 * sigma) + 1
    blurred = cv2.GaussianBlur(curve[None], (size, 1), sigma, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(blurred[0], np.float64)
