"""How far the colours of a capture stand apart, found before they drive the alignment together.

A few of the sharpest frames, brought together by their tracking alone, show it to a tenth of a pixel or two, which is
all that a gray plane needs. The shifts that bring the colours of the stack together are measured on the stack.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import measure_shift
from stacker.alignment.planes import PlaneSource

Array = NDArray[np.float32]
Float = NDArray[np.float64]
FRAMES = 32
"""Frames that are looked at."""
FEWEST_PIXELS = 16
"""Along each side of what all of them show: in less nothing is looked for."""
LARGEST_ERROR_PX = 0.3
"""A shift less certain than this is left alone."""


def with_colours_together(source: PlaneSource, sharpness: Float) -> PlaneSource:
    """Return the source with its colours fetched from where they stand; mono as it is.

    `sharpness` (M,) ranks the frames. A colour whose shift is not certain is taken where it lies.
    """
    if source.gray is None:
        return source
    sharpest = np.sort(np.argsort(-sharpness, kind="stable")[:FRAMES])
    return replace(source, spread_px=measure_spread(source, sharpest.tolist()))


def measure_spread(source: PlaneSource, orders: list[int]) -> Float:
    """Return (3, 2) where each colour stands against green (down, right), in pixels of the frame, from some frames."""
    spread = np.zeros((3, 2))
    means = source.mean_colours(orders)
    if min(means[0].shape) < FEWEST_PIXELS:
        return spread
    window = source.region.window_of(means[0].shape, source.binning)
    if not source.region.surface:
        # A disc ends by itself; what is left of its sky would show the window's edges, which stay where they are.
        means, window = [_without_sky(plane) * window for plane in means], np.ones_like(window)
    red, green, blue = means
    for channel, plane in ((0, red), (2, blue)):
        shift = measure_shift(plane, green, window)
        if shift.error_px * source.binning < LARGEST_ERROR_PX:
            spread[channel] = shift.dy_px * source.binning, shift.dx_px * source.binning
    return spread


def _without_sky(plane: Array) -> Array:
    border = np.concatenate([plane[0], plane[-1], plane[:, 0], plane[:, -1]])
    return plane - np.float32(np.median(border))
