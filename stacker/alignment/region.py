"""Which part of the frames is aligned: the box around a disc or the whole surface, in tiles where it is large."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.ranking.record import Target

TILE_PX = 640
OVERLAP_PX = 96
SKY_PX = 28
"""Sky kept around a disc: room for the limb's blur and for motion beyond the coarse tracking."""
GRAIN_PX = 16


@dataclass(frozen=True)
class Region:
    """A box of the anchor frame's geometry; tiles of equal size cover it and overlap."""

    top: int
    left: int
    shape: tuple[int, int]
    tile_shape: tuple[int, int]
    tiles: tuple[tuple[int, int], ...]
    """(row, column) of each tile's corner inside the box."""
    surface: bool

    def cut(self, plane: NDArray[np.float32], offset: tuple[int, int]) -> NDArray[np.float32]:
        """Return the (h, w) box moved by whole pixels `offset`, mirrored where it leaves the plane."""
        top, left = self.top + offset[0], self.left + offset[1]
        height, width = self.shape
        before = max(0, -top), max(0, -left)
        after = max(0, top + height - plane.shape[0]), max(0, left + width - plane.shape[1])
        inside = plane[max(0, top) : top + height, max(0, left) : left + width]
        if not any(before + after):
            return inside
        return cv2.copyMakeBorder(inside, before[0], after[0], before[1], after[1], cv2.BORDER_REFLECT).astype(
            np.float32, copy=False
        )

    def window(self, binning: int) -> NDArray[np.float32]:
        """Return the window for spectra: Hann over a surface, a taper in the sky around a disc."""
        return self.window_of((self.shape[0] // binning, self.shape[1] // binning), binning)

    def window_of(self, shape: tuple[int, int], binning: int) -> NDArray[np.float32]:
        """Return the same for a part of the region, (h, w) in pixels of a binning."""
        height, width = shape
        if self.surface:
            return np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
        edge = max(2, SKY_PX // (2 * binning))
        return np.outer(_taper(height, edge), _taper(width, edge)).astype(np.float32)

    def trusted(self, binning: int) -> NDArray[np.float32]:
        """Return 1 inside and 0 along the border, where filters see mirrored data."""
        weight = np.zeros((self.shape[0] // binning, self.shape[1] // binning), np.float32)
        edge = max(2, 12 // binning)
        weight[edge:-edge, edge:-edge] = 1
        return weight

    def blend(self, binning: int) -> list[NDArray[np.float32]]:
        """Return one weight map a tile (over the tile), which together sum to one over the region."""
        height, width = self.shape[0] // binning, self.shape[1] // binning
        tile = self.tile_shape[0] // binning, self.tile_shape[1] // binning
        hat = np.outer(_taper(tile[0], OVERLAP_PX // binning), _taper(tile[1], OVERLAP_PX // binning)) + 1e-3
        total = np.zeros((height, width))
        for row, column in self.tiles:
            total[row // binning :, column // binning :][: tile[0], : tile[1]] += hat
        return [
            (hat / total[row // binning :, column // binning :][: tile[0], : tile[1]]).astype(np.float32)
            for row, column in self.tiles
        ]


def _taper(length: int, edge: int) -> NDArray[np.float64]:
    ramp = np.minimum(np.arange(length) + 0.5, length - np.arange(length) - 0.5)
    return np.asarray(np.sin(np.pi / 2 * np.clip(ramp / min(edge, length / 2), 0, 1)) ** 2)


def plan_region(target: Target, frame_shape: tuple[int, int]) -> Region:
    """Return the region to align: the target's box with sky around it, or the whole frame of a surface.

    Sides are multiples of 16 px so that every binning divides them; a box larger than the frame is mirrored beyond it.
    """
    surface = target.kind == "surface"
    if surface:
        rows, columns = (0, frame_shape[0]), (0, frame_shape[1])
    else:
        hit = np.flatnonzero(target.mask.any(1)), np.flatnonzero(target.mask.any(0))
        rows, columns = ((int(h[0]) - SKY_PX, int(h[-1]) + 1 + SKY_PX) for h in hit)
    spans, corners, tiles = [], [], []
    for low, high in (rows, columns):
        size = -(-(high - low) // GRAIN_PX) * GRAIN_PX
        count = 1 if size <= TILE_PX else -(-(size - OVERLAP_PX) // (TILE_PX - OVERLAP_PX))
        tile = size if count == 1 else -(-(size + (count - 1) * OVERLAP_PX) // count // GRAIN_PX) * GRAIN_PX
        starts = np.linspace(0, size - tile, count) // GRAIN_PX * GRAIN_PX
        spans.append(size)
        # Even corners keep the phase of a colour mosaic.
        corners.append((low - (size - (high - low)) // 2) // 2 * 2)
        tiles.append((tile, [int(start) for start in starts]))
    return Region(
        corners[0],
        corners[1],
        (spans[0], spans[1]),
        (tiles[0][0], tiles[1][0]),
        tuple((row, column) for row in tiles[0][1] for column in tiles[1][1]),
        surface,
    )
