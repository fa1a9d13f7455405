"""The limb guard: no bright rim inside a limb and no moat outside it.

Amplified frequencies that stop short of the cutoff ring at a sharp edge. Near the limb of a disc the sharpened image
may therefore not leave the range that the unsharpened image spans in the neighbourhood of one blur width.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float32]


def guard_limb(sharpened: Real, image: Real, mask: NDArray[np.bool_], reach_px: float) -> Real:
    """Return `sharpened` held, within `reach_px` of the limb, inside the local range of `image` (H, W).

    `mask` is True on the disc. The hold fades out over another `reach_px`.
    """
    inside = mask.astype(np.uint8)
    distance = cv2.distanceTransform(inside, cv2.DIST_L2, 5) + cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    hold = np.clip(2.0 - distance / np.float32(reach_px), 0.0, 1.0)
    side = 2 * round(reach_px) + 1
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    calm = cv2.GaussianBlur(image, (0, 0), 0.8)
    held = np.clip(sharpened, cv2.erode(calm, near), cv2.dilate(calm, near))
    return np.asarray(sharpened + hold * (held - sharpened), np.float32)
