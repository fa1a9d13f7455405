"""Each part of the field prefers the frames that are sharp there: weights that vary over the frame.

A frame's local amplitude of detail over its own mean; the frame's overall merit is counted elsewhere (local
information fusion: Vorontsov & Carhart 2001, JOSA A 18, 1312; lucky regions: Aubailly et al. 2009, SPIE 7463; both
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.ranking.record import Ranking

Array = NDArray[np.float32]
LARGEST = 3.0
"""A patch counts at most this much more or less than its frame."""


@dataclass(frozen=True)
class Preference:
    """Local weights of the frames that are averaged."""

    patches: Array
    """(M, GY, GX) weight of each used frame in each patch, mean 1 a frame."""
    shape: tuple[int, int]
    offset_px: tuple[float, float]
    """Where the patches' grid stands on the common geometry (down, right)."""

    def weight(self, order: int) -> Array:
        """Return (H, W) weight of one used frame, smooth between the patches' middles."""
        grid = self.patches[order]
        height, width = self.shape
        scale = grid.shape[0] / height, grid.shape[1] / width
        matrix = np.array(
            [
                [scale[1], 0, (0.5 - self.offset_px[1]) * scale[1] - 0.5],
                [0, scale[0], (0.5 - self.offset_px[0]) * scale[0] - 0.5],
            ]
        )
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return np.asarray(
            cv2.warpAffine(grid, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE), np.float32
        )


def prefer(
    ranking: Ranking, frames: NDArray[np.intp], shape: tuple[int, int], power: float, zoom: float = 1.0
) -> Preference | None:
    """Return the weights (local amplitude over the frame's own mean) ** `power`; None for power 0 or a single patch.

    `shape` is the stack's (H, W). Patches that a frame does not show count as its mean.
    """
    energy = np.maximum(ranking.patch_sharpness[frames].astype(np.float64), 0)
    if power == 0 or energy[0].size < 2:
        return None
    seen = np.isfinite(energy)
    # What a patch shows differs from patch to patch: each is compared with what it mostly shows.
    typical = np.ones(energy.shape[1:])
    for place in np.ndindex(typical.shape):
        if seen[:, *place].any():
            typical[place] = np.median(energy[:, *place][seen[:, *place]])
    amplitude = np.sqrt(np.where(seen, energy, 0) / np.maximum(typical, 1e-30))
    mean = amplitude.sum((1, 2), keepdims=True) / np.maximum(seen.sum((1, 2), keepdims=True), 1)
    relative = np.where(seen & (mean > 0), amplitude / np.where(mean > 0, mean, 1), 1)
    trusted = [_shared_with_neighbours(np.log(np.clip(grid, 1 / LARGEST, LARGEST))) for grid in relative]
    weights = np.exp(power * np.stack(trusted))
    weights /= weights.mean((1, 2), keepdims=True)
    offset = (0.0, 0.0)
    if ranking.target.kind == "surface":
        # A surface may have been laid anew at the middle of its drift; the patches stay where the anchor had them.
        middle = [(size - 1) / 2 for size in ranking.target.mask.shape]
        offset = ranking.target.centre_px[0] - middle[0], ranking.target.centre_px[1] - middle[1]
    return Preference(weights.astype(np.float32), shape, (offset[0] * zoom, offset[1] * zoom))


def _shared_with_neighbours(grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean over about a patch around: what one patch of one frame says is mostly noise."""
    return np.asarray(cv2.GaussianBlur(grid, (0, 0), 1.0, borderType=cv2.BORDER_REFLECT))
