"""Detail from one picture, colour from another: luminance plus colour, in linear light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.colour.registering import sky_level

Real = NDArray[np.float32]
Mask = NDArray[np.bool_]
COLOUR_BLUR_PX = 1.2
"""The eye sees less detail in colour than in brightness, and colour is where the noise is (common practice)."""
_FAINT_SHARE = 0.02
"""Share of the target's brightness below which the colour fades to the target's mean colour."""


def with_luminance(luminance: Real, colour: Real, mask: Mask, kind: str) -> Real:
    """Return (H, W, 3): the detail of `luminance` (H, W) in the colours of `colour` (H, W, 3), both linear.

    Each channel is luminance times the share that the channel has in the mean of the colours, both smoothed by 1.2 px;
    in the sky around a disc the share goes to that of the target as a whole. The light of each channel above the sky
    (over all, for a surface) is that of `colour`, to rounding. Sky levels stay those of `colour`.
    """
    sky = [sky_level(colour[..., k], mask) if kind == "disc" else 0.0 for k in range(3)]
    base = luminance - np.float32(sky_level(luminance, mask) if kind == "disc" else 0.0)
    light = colour - np.array(sky, np.float32)
    mean = light.mean(2)
    level = float(mean[mask].mean(dtype=np.float64))
    faint = np.float32(_FAINT_SHARE * max(level, 1e-12))
    smooth_mean = np.maximum(_blurred(mean), 0) + faint
    result = np.empty_like(colour, dtype=np.float32)
    for k in range(3):
        typical = float(light[..., k][mask].mean(dtype=np.float64)) / max(level, 1e-12)
        share = (np.maximum(_blurred(light[..., k]), 0) + faint * np.float32(typical)) / smooth_mean
        channel = base * share
        scale = light[..., k].sum(dtype=np.float64) / max(float(channel.sum(dtype=np.float64)), 1e-12)
        result[..., k] = channel * np.float32(scale) + np.float32(sky[k])
    return result


def _blurred(plane: Real) -> Real:
    blurred = cv2.GaussianBlur(np.ascontiguousarray(plane), (0, 0), COLOUR_BLUR_PX, borderType=cv2.BORDER_REFLECT)
    return np.asarray(blurred, np.float32)
