"""The limb guard: no bright rim inside a limb and no moat outside it.

Amplified frequencies that stop short of the cutoff ring at a sharp edge, and the eye takes the ringing for an
atmosphere or a dark arc. A telescope's image of a disc nowhere dips below the sky, and near its limb it is nowhere
brighter than the blurred image is a little way in; the sharpened image is held to both.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.noise import sky_of

Real = NDArray[np.float32]


def guard_limb(sharpened: Real, image: Real, mask: NDArray[np.bool_], reach_px: float) -> Real:
    """Return `sharpened` held, near the limb of a disc, between the sky and the local maximum of `image` (H, W).

    `mask` is True on the disc. The maximum is taken over `reach_px` around each pixel; the hold is full to that
    distance from the limb and fades out over as much again.
    """
    inside = mask.astype(np.uint8)
    distance = cv2.distanceTransform(inside, cv2.DIST_L2, 5) + cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    hold = np.clip(2.0 - distance / np.float32(reach_px), 0.0, 1.0)
    side = 2 * round(reach_px) + 1
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    calm = cv2.GaussianBlur(image, (0, 0), 0.8)
    sky = sky_of(mask)
    lowest = float(np.median(image[sky])) if sky.any() else float(calm.min())
    held = np.clip(sharpened, lowest, np.maximum(cv2.dilate(calm, near), lowest))
    return np.asarray(sharpened + hold * (held - sharpened), np.float32)
