"""The noise of a master is kept off the frames: what its scatter explains is smoothed away, real structure stays."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float32]
BOX_PX = 5
_STANDS_OUT = 4.0
"""Standard deviations by which a single pixel is real whatever its neighbours do."""


def quieten(master: Map, variance: Map | None, step: int) -> tuple[Map, Map | None]:
    """Return the master (H, W[, 3]) and its variance after local Wiener filtering.

    In a box of 5x5 pixels of one colour (`step` 2 in a mosaic, else 1) the deviation h from the box's mean is kept in
    the share s^2 / (s^2 + n), n the master's own variance and s^2 the scatter beyond it (Lee 1980, IEEE Trans. Pattern
    Anal. Mach. Intell. 2, 165). Nothing is done where the variance is not known.
    """
    if variance is None:
        return master, None
    quiet, left = np.empty_like(master), np.empty_like(master)
    for row in range(step):
        for column in range(step):
            cell = np.s_[row::step, column::step]
            quiet[cell], left[cell] = _filtered(
                np.ascontiguousarray(master[cell]), np.ascontiguousarray(variance[cell])
            )
    return quiet, left


def _filtered(plane: Map, variance: Map) -> tuple[Map, Map]:
    smooth, noise = _around(plane), _around(variance)
    rest = plane - smooth
    scatter = _around(rest**2) * np.float32(BOX_PX**2 / (BOX_PX**2 - 1))
    real = np.maximum(scatter - noise, 0)
    share = np.asarray(real / np.maximum(real + noise, 1e-20), np.float32)
    share = np.where(rest**2 > _STANDS_OUT**2 * noise, np.float32(1), share)
    kept = (share**2 + (1 - share**2) / np.float32(BOX_PX**2)) * variance
    return smooth + share * rest, np.asarray(kept, np.float32)


def _around(plane: Map) -> Map:
    return np.asarray(cv2.blur(plane, (BOX_PX, BOX_PX), borderType=cv2.BORDER_REFLECT_101), np.float32)
