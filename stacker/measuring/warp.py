"""How the air bent the field: the local displacements of the used frames, on a coarse grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.ranking.plane import shrink

Map = NDArray[np.float64]

_FRAMES = 40
_GRAINS_PX = (16, 8, 4)
"""Sides of the cells that fields are looked at in; all divide the sides of a region and of its tiles."""
_FEWEST_CELLS, _MOST_CELLS = 16, 32


@dataclass(frozen=True)
class WarpField:
    """Displacements left when each frame's mean motion is taken out, in camera pixels; nan outside the target."""

    top_px: int
    left_px: int
    """Corner of the grid in the stack's geometry, in camera pixels; may lie outside it."""
    cell_px: int
    rms_px: Map
    """(GY, GX) root mean square over the frames of the length of the displacement."""
    frame: int
    """Number of the frame whose field is shown: the one in the middle by size of its displacements."""
    dy_px: Map
    """(GY, GX) displacement of that frame: where the target stands in it minus where it stands in the reference."""
    dx_px: Map
    frames: int
    """How many frames were looked at, spread evenly over the used ones."""


def warp_field(alignment: Alignment, mask: NDArray[np.bool_]) -> WarpField | None:
    """Return the local displacements over a target whose `mask` (H, W) is in camera pixels.

    None where no cell lies on the target, or where the frames were moved as a whole.
    """
    region = alignment.region
    grain = next((px for px in _GRAINS_PX if max(region.shape) >= _FEWEST_CELLS * px), _GRAINS_PX[-1])
    inside = shrink(region.cut(mask.astype(np.float32), (0, 0)), grain) > 0.5
    if not inside.any() or not alignment.coefficients[:, :, 2:].any():
        return None
    level = alignment.level(grain)
    sample = np.linspace(0, len(alignment.frames) - 1, min(len(alignment.frames), _FRAMES)).astype(int)
    fields = np.array([level.displacement(alignment.modes, alignment.coefficients[order]) for order in sample], float)
    fields -= fields[:, :, inside].mean(2)[..., None, None]
    size = np.sqrt((fields[:, :, inside] ** 2).sum(1).mean(1))
    middle = int(np.argsort(size, kind="stable")[len(size) // 2])
    step = -(-max(inside.shape) // _MOST_CELLS)
    weight = _pooled(inside.astype(float), step)

    def over_target(values: Map) -> Map:
        sums = _pooled(np.where(inside, values, 0.0), step)
        return np.divide(sums, weight, out=np.full_like(sums, np.nan), where=weight > 0.25 * step * step)

    return WarpField(
        region.top,
        region.left,
        grain * step,
        np.sqrt(over_target((fields**2).sum(1).mean(0))),
        int(alignment.frames[sample[middle]]),
        over_target(fields[middle, 0]),
        over_target(fields[middle, 1]),
        len(sample),
    )


def _pooled(values: Map, step: int) -> Map:
    """Return sums over `step` x `step` cells; what is missing at the end counts nothing."""
    rows, columns = values.shape
    padded = np.pad(values, ((0, -rows % step), (0, -columns % step)))
    return np.asarray(padded.reshape(len(padded) // step, step, -1, step).sum((1, 3)))
