"""Whether the frames stand at all fractions of a pixel, so that quick interpolation averages out as well as slow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.interpolation import LEFT_BY_LINEAR

Real = NDArray[np.float64]
TOLERANCE = 0.04
"""As far from the mean over all places as ten frames at random places come."""
MOST_FRAMES = 100
_BINNING, _STRIDE = 8, 4


def stand_everywhere(alignment: Alignment) -> bool:
    """Return whether linear interpolation leaves of each frame's waves, in the mean, what it does at random places.

    Frames moved by whole pixels lose nothing: `prefiltered` would sharpen them instead of giving back.
    """
    looked = np.linspace(0, len(alignment.frames) - 1, min(len(alignment.frames), MOST_FRAMES)).astype(int)
    level = alignment.level(_BINNING if min(alignment.region.shape) >= 96 else 2)
    moved = np.array(
        [
            [part[::_STRIDE, ::_STRIDE] for part in level.displacement(alignment.modes, coefficients)]
            for coefficients in alignment.coefficients[looked].astype(np.float64)
        ]
    )
    left = _left(moved + alignment.coarse_px[looked][:, :, None, None])
    mean = np.average(left, axis=0, weights=alignment.weight[looked])
    return bool(np.sqrt(((mean / LEFT_BY_LINEAR - 1) ** 2).mean()) < TOLERANCE)


def _left(moved_px: Real) -> Real:
    """Return what linear interpolation leaves of a wave of four pixels, moved so far along it."""
    part = moved_px % 1
    return np.asarray((1 - part) * np.cos(np.pi / 2 * part) + part * np.sin(np.pi / 2 * part))
