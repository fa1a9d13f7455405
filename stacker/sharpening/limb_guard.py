"""The limb guard: no bright rim inside a limb and no moat outside it.

Amplified frequencies that stop short of the cutoff ring at a sharp edge, and the eye takes the ringing for an
atmosphere or a dark arc. A telescope's image of a disc nowhere dips below the sky, and near its limb it is on the whole
nowhere brighter than the blurred image is a little way in; the sharpened image is held to both. Ringing runs along the
limb and detail does not, so what is taken off inside is what stands out in the mean along the limb.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.noise import sky_of

Real = NDArray[np.float32]

_ALONG = 10.0


def guard_limb(sharpened: Real, image: Real, mask: NDArray[np.bool_], reach_px: float) -> Real:
    """Return `sharpened` held, near the limb of a disc, between the sky and the local maximum of `image` (H, W).

    `mask` is True on the disc. The maximum is taken over `reach_px` around each pixel, the mean over ten times that
    along the limb; the hold is full to `reach_px` from the limb and fades out over as much again.
    """
    inside = mask.astype(np.uint8)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    hold = np.clip(2.0 - np.abs(depth) / np.float32(reach_px), 0.0, 1.0)
    side = 2 * round(reach_px) + 1
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    most = cv2.dilate(cv2.GaussianBlur(image, (0, 0), 0.8), near)
    sky = sky_of(mask)
    lowest = float(np.median(image[sky])) if sky.any() else float(image.min())
    rim = _mean_along_limb(np.asarray(sharpened - most, np.float32), depth, reach_px)
    held = np.maximum(sharpened - np.maximum(rim, 0.0), lowest)
    return np.asarray(sharpened + hold * (held - sharpened), np.float32)


def _mean_along_limb(excess: Real, depth: Real, reach_px: float) -> Real:
    """Return the mean of `excess` over pixels of equal depth in a wide neighbourhood, within twice `reach_px`."""
    width = int(_ALONG * reach_px) | 1
    layer = np.floor(depth)
    mean = np.zeros_like(excess)
    for step in range(int(-2 * reach_px) - 1, int(2 * reach_px) + 1):
        here = layer == step
        if here.any():
            weight = cv2.blur(here.astype(np.float32), (width, width), borderType=cv2.BORDER_CONSTANT)
            total = cv2.blur(np.where(here, excess, 0.0), (width, width), borderType=cv2.BORDER_CONSTANT)
            mean[here] = total[here] / np.maximum(weight[here], 1e-9)
    return mean
