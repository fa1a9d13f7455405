"""The pattern of two pixels that the cells of a colour mosaic leave in an average of raw samples.

Where the motion is slow, pixels of one parity take their samples mostly from one part of the frames and neighbours from
another. Whatever sets the frames apart (blur, brightness, motion left over) then alternates from pixel to pixel: a
smooth difference around the frequencies (1/2, 1/2), (0, 1/2) and (1/2, 0) of the mosaic, beyond what optics show.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
REACH_CYC_PER_PX = 0.15
"""Of a camera pixel: frames differ in detail coarser than this (a wider reach takes nothing more out)."""
LEAST_REACH_CYC_PER_PX = 0.04
"""Closer to the target's own detail there is no telling them apart: the pattern stays."""


def without_pattern(shape: tuple[int, int], finest_cyc_per_px: float, zoom: float = 1.0) -> Array | None:
    """Return (H, W) what to multiply a cosine transform of an (H, W) image by; None where the pattern must stay.

    0 near the mosaic's frequencies, rising to 1 before the finest detail of the target; `zoom` is stack pixels per
    camera pixel.
    """
    reach = min(REACH_CYC_PER_PX / zoom, 0.5 / zoom - finest_cyc_per_px)
    if reach < LEAST_REACH_CYC_PER_PX / zoom:
        return None
    down, right = (np.arange(size, dtype=np.float32) / (2 * size) for size in shape)
    kept = np.ones(shape, np.float32)
    for row, column in ((0.5, 0.5), (0.0, 0.5), (0.5, 0.0)):
        away = np.hypot(down[:, None] - row / zoom, right[None] - column / zoom)
        kept *= np.sin(np.pi / 2 * np.clip(2 * away / reach - 1, 0, 1)) ** 2
    return kept
