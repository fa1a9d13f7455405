"""Whether the motion of a mosaic camera's frames fills the grid of every colour, or a demosaic has to.

Raw samples are preferred: no colour borrows detail from another, which is wrong by as much as the air sets them apart.
Of the target's detail, demosaiced frames leave so many times what raw samples leave unexplained, by the medians of six
simulated captures at the zenith and of six 45 degrees from it, with the same alignment and weights and all colours
sharing their detail: bilinear 1.01 and 1.01, edge-aware (OpenCV) 1.01 and 1.01, Malvar 1.00 and 1.24, Menon 1.02 and
1.53 (scripts/experiment_colour.py --sampling 2 3 --seeds 1). At the zenith little is left to gain: on 8 more captures
frames of full colour with the noise of as many photons leave .97 to 1.03 times what raw samples leave, Malvar's .99 to
1.01, all with the best mixture of the colours that the truth can tell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.capture.mosaic import colour_offsets

Real = NDArray[np.float64]
FEWEST_SAMPLES = 2.5
"""Whole raw samples of a colour that a pixel needs; random motion of ten frames gives red and blue as many
(experiment_colour.py --thresholds)."""
LEAST_SHARE = 0.12
"""Share of the frames that must show a colour at a pixel; random motion gives red and blue 1/4. Less means that the
frames stand nearly still, and a pixel between samples takes all of them from one side or from afar."""
THIN_SHARE = 0.02
"""Where more than this share of the pixels has less, the grid is not filled."""
MOST_FRAMES = 200
_BINNING = 8


def motion_fills_the_grid(alignment: Alignment, mosaic: str) -> bool:
    """Return whether nearly every pixel of every colour takes enough raw samples."""
    weight = alignment.weight / alignment.weight.sum()
    share = share_per_pixel(alignment, mosaic)
    thin = (share < LEAST_SHARE) | (share / float((weight**2).sum()) < FEWEST_SAMPLES)
    return bool(thin.mean(axis=tuple(range(thin.ndim - 1))).max() <= THIN_SHARE)


def share_per_pixel(alignment: Alignment, mosaic: str) -> Real:
    """Return (h, w, 2, 2, 3): how much of the weight of all frames shows R, G, B at pixels of the four parities.

    A pixel takes the samples less than a pixel away, weighted by a tent as the averaging does. (h, w) are points 4 or
    8 px apart. Of more than 200 frames 200 are looked at.
    """
    looked = np.linspace(0, len(alignment.frames) - 1, min(len(alignment.frames), MOST_FRAMES)).astype(int)
    level = alignment.level(_BINNING if min(alignment.region.shape) >= 96 else _BINNING // 2)
    total: Real = np.zeros(())
    for order in looked:
        field = level.displacement(alignment.modes, alignment.coefficients[order].astype(np.float64))
        moved = [part.astype(np.float64) + place for part, place in zip(field, alignment.coarse_px[order], strict=True)]
        total = total + alignment.weight[order] * _tents(moved[0], moved[1], mosaic)
    return np.asarray(total / float(alignment.weight[looked].sum()))


def _tents(dy_px: Real, dx_px: Real, mosaic: str) -> Real:
    """Return (h, w, 2, 2, 3): the weight of the samples of R, G, B for pixels of each parity moved by (dy, dx)."""
    rows, columns = _tent(dy_px), _tent(dx_px)
    weight = np.zeros((*dy_px.shape, 2, 2, 3))
    for channel, cells in enumerate(colour_offsets(mosaic).values()):
        for row, column in cells:
            weight[..., channel] += rows[..., :, None, row] * columns[..., None, :, column]
    return weight


def _tent(moved_px: Real) -> Real:
    """Return (h, w, 2, 2): the tent's value at the lines of each parity (last axis) for each parity of the pixel."""
    place = moved_px[..., None, None] + np.arange(2)[:, None] - np.arange(2)
    return np.maximum(0.0, 1.0 - np.abs((place + 1.0) % 2.0 - 1.0))
