"""The local gate: sharpening only where a plane holds more than noise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float32]

_LEAST_SHARE = 0.05
_USUAL_PERCENTILE = 25.0
_MANY_PX = 1 << 15
"""So many pixels of the target tell a percentile."""


def local_gate(plane: Real, noise_plane: Real, scale: int, target: NDArray[np.bool_]) -> Real:
    """Return how much of a plane's sharpening is let through, 0 to 1, (H, W).

    Where the local share of signal in the plane's power is at least what three quarters of the `target` have, all of
    it: the overall gain already allows for that. Where less is signal (sky, smooth ground), as much less.
    """
    share = local_signal_share(plane, noise_plane, scale)
    on_target = share[target]
    on_target = on_target[:: max(1, on_target.size // _MANY_PX)]
    usual = max(float(np.percentile(on_target, _USUAL_PERCENTILE)), _LEAST_SHARE)
    return np.asarray(np.minimum(share / np.float32(usual), 1.0), np.float32)


def local_signal_share(plane: Real, noise_plane: Real, scale: int) -> Real:
    """Return the share of a plane's local power that is signal, 0 to 1: the local Wiener factor 1 - noise / power.

    `noise_plane` is the same plane of half the difference of two half-stacks. Powers are means over a neighbourhood
    of a few times the plane's scale, noise over a wider one, since it changes slowly. Lee 1980, IEEE Trans. PAMI 2,
    165 (local statistics).
    """
    width = 3.0 * 2**scale
    power = _local_power(plane, width)
    noise = _local_power(noise_plane, 2.0 * width)
    share = 1.0 - noise / np.maximum(power, np.float32(1e-30))
    return np.asarray(np.clip(share, 0.0, 1.0), np.float32)


def _local_power(plane: Real, width: float) -> Real:
    side = int(width) | 1
    power = cv2.blur(plane * plane, (side, side), borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(cv2.blur(power, (side, side), borderType=cv2.BORDER_REFLECT_101), np.float32)
