"""The target's own frame of reference: small cells laid over the anchor frame, and patches made of cells."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.ranking.plane import Binning
from stacker.ranking.record import Target

Map = NDArray[np.float32]
_PATCH_PX = 40
_MOST_PATCHES = 768
_MOST_VALUES = 4_000_000
"""Patch values kept for a whole capture: 16 MB of float32."""


@dataclass(frozen=True)
class Cells:
    """A window of the anchor frame's plane, cut into square cells, with what each cell holds of the target."""

    top: int
    left: int
    """First row and column of the window in the plane."""
    size: int
    """Plane pixels along a cell."""
    target: Map
    """(rows, columns) share of each cell that lies on the target."""
    inner: Map
    """The same for the target without its rim."""
    to_rows: Map
    """(GY, rows) overlap of patch rows with cell rows."""
    to_columns: Map
    """(columns, GX) overlap of cell columns with patch columns."""

    @property
    def window(self) -> tuple[int, int]:
        """(rows, columns) of the window in plane pixels."""
        return self.target.shape[0] * self.size, self.target.shape[1] * self.size

    def patches(self, values: Map) -> Map:
        """Return sums of cell values over the patches, (GY, GX)."""
        return np.asarray(self.to_rows @ values @ self.to_columns)


def lay_cells(target: Target, binning: Binning, frames: int) -> Cells:
    """Lay cells over the target in the anchor frame; cells shrink with the target so that at least a dozen cross it."""
    across = 2 * target.radius_px / binning.fine
    size = 4 if across >= 48 else 2 if across >= 24 else 1
    (top, bottom), (left, right) = _window(target, binning, size)
    mask = _share(target.mask, binning)[top:bottom, left:right]
    inner = _share(without_rim(target), binning)[top:bottom, left:right]
    shape = ((bottom - top) // size, (right - left) // size)
    grid = patch_grid(binning.shape, frames)
    rows = _overlap(binning.shape[0], grid[0], binning.fine * np.arange(top, bottom + 1, size))
    columns = _overlap(binning.shape[1], grid[1], binning.fine * np.arange(left, right + 1, size))
    shrink = (shape[1], shape[0])
    whole, part = (np.asarray(cv2.resize(m, shrink, interpolation=cv2.INTER_AREA), np.float32) for m in (mask, inner))
    return Cells(top, left, size, whole, part, rows, np.ascontiguousarray(columns.T))


def patch_grid(shape: tuple[int, int], frames: int) -> tuple[int, int]:
    """Return (GY, GX): patches of about 40 px, larger where frames are big or many, to bound the memory."""
    most = max(4, min(_MOST_PATCHES, _MOST_VALUES // max(frames, 1)))
    side = max(_PATCH_PX, np.sqrt(shape[0] * shape[1] / most))
    return max(1, round(shape[0] / side)), max(1, round(shape[1] / side))


def without_rim(target: Target) -> NDArray[np.bool_]:
    """Return the target's mask with its rim taken off: the limb's step would outweigh all detail on the disc.

    A twenty-fifth of the radius goes (at least a pixel), but at least two fifths of the target's area remain.
    """
    if target.kind == "surface":
        return target.mask
    padded = np.pad(target.mask.astype(np.uint8), 1)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, 3)[1:-1, 1:-1]
    rim = float(np.clip(0.04 * target.radius_px, 1.0, 8))
    deepest = float(np.quantile(depth[target.mask], 0.6)) if target.mask.any() else 0.0
    return np.asarray(depth > min(rim, deepest))


def _share(mask: NDArray[np.bool_], binning: Binning) -> Map:
    rows, columns = binning.fine_shape
    part = mask[: rows * binning.fine, : columns * binning.fine].astype(np.float32)
    return np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA))


def _window(target: Target, binning: Binning, size: int) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the plane rows and columns around the target, with sky enough to see a limb that moved."""
    ranges = []
    for axis in (0, 1):
        length = binning.fine_shape[axis] // size * size
        lit = np.flatnonzero(target.mask.any(axis=1 - axis))
        margin = 0.15 * target.radius_px + 8
        low = int(max(0, (lit[0] - margin) // binning.fine)) // size * size
        high = int(min(length, -(-(lit[-1] + margin) // binning.fine)))
        ranges.append((low, min(length, low + -(-(high - low) // size) * size)))
    return ranges[0], ranges[1]


def _overlap(length: int, parts: int, edges: NDArray[np.int_]) -> Map:
    """Return (parts, len(edges)-1): the share of each cell that lies in each of the equal parts of `length`."""
    borders = np.linspace(0, length, parts + 1)
    low = np.maximum(borders[:-1, None], edges[None, :-1])
    high = np.minimum(borders[1:, None], edges[None, 1:])
    return np.asarray(np.clip(high - low, 0, None) / np.diff(edges)[None, :], dtype=np.float32)
