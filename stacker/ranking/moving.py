"""Frames moved onto the target's own cells: by whole plane pixels, as far as each frame covers them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.ranking.cells import Cells
from stacker.ranking.contrast import band_energy
from stacker.ranking.plane import Plane

Map = NDArray[np.float32]


@dataclass(frozen=True)
class Moved:
    """A few frames in the cells of the target: (K, rows, columns), 0 in cells that a frame does not cover."""

    level: Map
    """Cell means, ADU as stored."""
    energy: Map
    """Cell means of the band's energy, noise included."""
    rows: Map
    """(K, rows) 1 where a frame covers the row of cells."""
    columns: Map
    """(K, columns)."""

    def covered(self, cell_map: Map) -> Map:
        """Return the sum of a map (rows, columns) over the cells that each frame covers, (K,)."""
        return np.asarray(((self.rows @ cell_map) * self.columns).sum(1))

    @property
    def mask(self) -> NDArray[np.bool_]:
        """(K, rows, columns) whether a frame covers a cell."""
        return np.asarray((self.rows[:, :, None] * self.columns[:, None, :]) > 0)

    def take(self, chosen: NDArray[np.intp]) -> Moved:
        """Return some of the frames."""
        return Moved(self.level[chosen], self.energy[chosen], self.rows[chosen], self.columns[chosen])


def move_onto_cells(planes: Plane, shifts: NDArray[np.float64], cells: Cells) -> Moved:
    """Cut out of each plane (K, h, w) the cells that it covers, displaced by `shifts` (K, 2) plane pixels.

    Shifts are rounded to whole pixels; a frame whose shift is nan, or that covers no cell, covers nothing.
    """
    shape = (len(planes), *cells.target.shape)
    level, energy = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    rows, columns = np.zeros(shape[:2], np.float32), np.zeros((shape[0], shape[2]), np.float32)
    for k, plane in enumerate(planes):
        cut = _cut(plane.shape, shifts[k], cells)
        if cut is None:
            continue
        (down, across), view = cut
        part = plane[view]
        level[k, down, across] = cell_means(part, cells.size)
        energy[k, down, across] = cell_means(band_energy(part), cells.size)
        rows[k, down], columns[k, across] = 1, 1
    return Moved(level, energy, rows, columns)


def cell_means(view: Plane, size: int) -> Map:
    """Return the means over square cells of `size` pixels (1, 2 or 4); halving twice is OpenCV's fast path."""
    for _ in range(size.bit_length() - 1):
        view = np.asarray(cv2.resize(view, (view.shape[1] // 2, view.shape[0] // 2), interpolation=cv2.INTER_AREA))
    return view


def _cut(
    shape: tuple[int, ...], shift: NDArray[np.float64], cells: Cells
) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
    """Return the cells that a frame covers and where they lie in its plane; None where there are none."""
    if not np.isfinite(shift).all():
        return None
    parts, views = [], []
    for axis, first in enumerate((cells.top, cells.left)):
        start = first + round(float(shift[axis]))
        low = max(0, -(start // cells.size)) if start < 0 else 0
        high = min(cells.target.shape[axis], (shape[axis] - start) // cells.size)
        if high - low < 1:
            return None
        parts.append(slice(low, high))
        views.append(slice(start + low * cells.size, start + high * cells.size))
    return (parts[0], parts[1]), (views[0], views[1])
