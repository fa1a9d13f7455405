"""One binning of the aligned region: its pixels, its splines, and sampling at displaced points."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.prior import SHIFT_RMS_PX, Modes
from stacker.alignment.region import Region
from stacker.alignment.spline import Grid, spline_grid

Array = NDArray[np.float32]
LOCAL_MOTION_PX = 4.0
"""Points of a frame may stand this far from where the frame's shift puts them."""
SPARSE, SPARE_PX = 8, 2.0
"""Between points so many pixels apart the motion changes by less than that."""


@dataclass(frozen=True)
class Inside:
    """Which of the target's points a frame shows, where it does not show all."""

    mask: NDArray[np.uint8]
    """(h, w) 255 where it does, else 0."""
    rims: tuple[tuple[slice, slice], ...]
    """Places apart from each other; everywhere else it does."""

    @classmethod
    def of(cls, shown: NDArray[np.bool_]) -> Inside:
        """Return the same from where points (h, w) are shown."""
        return cls(shown * np.uint8(255), (np.s_[:, :],))


@dataclass(frozen=True)
class Level:
    """One binning of the region: its splines and the pixel coordinates that every warp starts from."""

    region: Region
    grid: Grid
    rows: Array
    columns: Array
    blend: tuple[Array, ...]
    trusted: Array
    window: Array

    @property
    def binning(self) -> int:
        """Pixels of the camera an edge."""
        return self.grid.binning

    def tile(self, number: int, plane: Array) -> Array:
        """Return the part of a region-sized map that belongs to one tile."""
        row, column = self.region.tiles[number]
        height, width = self.region.tile_shape
        return plane[row // self.binning :, column // self.binning :][: height // self.binning, : width // self.binning]

    def displacement(self, modes: Modes, coefficients: NDArray[np.float64]) -> tuple[Array, Array]:
        """Return (dy_px, dx_px) over the region from the coefficients (tiles, modes)."""
        if len(coefficients) == 1:
            return self.grid.displacement(modes.potential(coefficients[0]))
        total = np.zeros_like(self.rows), np.zeros_like(self.rows)
        for number, y in enumerate(coefficients):
            for whole, part in zip(total, self.grid.displacement(modes.potential(y)), strict=True):
                self.tile(number, whole)[...] += self.blend[number] * part
        return total

    def mean_motion(self, modes: Modes, mask: Array) -> NDArray[np.float64]:
        """Return (2, tiles, modes): times the coefficients, summed, the mean (dy_px, dx_px) over a (h, w) mask."""
        none = np.zeros([size // self.binning for size in self.region.tile_shape], np.float32)
        share = mask / max(float(mask.sum()), 1e-12)
        parts = []
        for number in range(len(self.region.tiles)):
            part = self.tile(number, share) * (self.blend[number] if self.blend else np.float32(1))
            parts.append([modes.project(self.grid.adjoint(*pair)) for pair in ((part, none), (none, part))])
        return np.array(parts).transpose(1, 0, 2)

    def maps(self, modes: Modes, coefficients: NDArray[np.float64], shift: NDArray[np.float64]) -> tuple[Array, Array]:
        """Return the (rows, columns) in a binned cut at which the target's points of the region stand."""
        moved = coefficients.copy()
        # Of each tile's modes the first two are the shifts; the blend of equal shifts is that shift.
        moved[:, :2] += shift / SHIFT_RMS_PX
        dy, dx = self.displacement(modes, moved / self.binning)
        return cv2.add(dy, self.rows, dst=dy), cv2.add(dx, self.columns, dst=dx)  # type: ignore[return-value]

    def seen(self, maps: tuple[Array, Array], bounds: tuple[float, float, float, float]) -> Inside | None:
        """Return where the maps stay inside (top, left, bottom, right) of a cut; None if all do."""
        return seen(maps, (self.rows, self.columns), bounds)

    def covered(self, shift: NDArray[np.float64], bounds: tuple[float, float, float, float]) -> tuple[slice, slice]:
        """Return the (rows, columns) of the region that a frame surely covers and whose filtering can be trusted.

        `bounds` are the first and last row and column (top, left, bottom, right) of the cut that the frame fills.
        """
        slices = []
        for axis, length in enumerate(self.rows.shape):
            moved = shift[axis] / self.binning
            spare = LOCAL_MOTION_PX / self.binning
            edge = max(2, 12 // self.binning)
            first = max(edge, int(np.ceil(bounds[axis] - moved + spare)))
            last = min(length - edge, int(np.floor(bounds[axis + 2] - moved - spare)) + 1)
            slices.append(slice(first, max(last, first)))
        return slices[0], slices[1]


def level_of(region: Region, step_px: float, binning: int) -> Level:
    """Return one binning of a region."""
    height, width = region.shape[0] // binning, region.shape[1] // binning
    rows, columns = np.mgrid[:height, :width].astype(np.float32)
    return Level(
        region,
        spline_grid(region.tile_shape, step_px, binning),
        rows,
        columns,
        tuple(region.blend(binning)) if len(region.tiles) > 1 else (),
        region.trusted(binning),
        region.window(binning),
    )


def seen(
    maps: tuple[Array, Array], unmoved: tuple[Array, Array], bounds: tuple[float, float, float, float]
) -> Inside | None:
    """Return where the maps stay inside (top, left, bottom, right) of a cut; None if all do.

    `unmoved` are the maps without motion. The motion must be smooth: it is looked at in every eighth pixel, and only
    the borders that it may leave are looked at closely.
    """
    sure = []
    for axis, line in enumerate((unmoved[0][:, 0], unmoved[1][0])):
        motion = maps[axis][::SPARSE, ::SPARSE] - unmoved[axis][::SPARSE, ::SPARSE]
        low, high = bounds[axis] - float(motion.min()) + SPARE_PX, bounds[axis + 2] - float(motion.max()) - SPARE_PX
        first, last = np.searchsorted(line, low), np.searchsorted(line, high, side="right")
        sure.append(slice(int(first), max(int(first), int(last))))
    rows, columns = sure
    rims = []
    for rim in (
        np.s_[: rows.start, :],
        np.s_[rows.stop :, :],
        np.s_[rows, : columns.start],
        np.s_[rows, columns.stop :],
    ):
        if maps[0][rim].size:
            shown = cv2.bitwise_and(*(cv2.inRange(maps[axis][rim], bounds[axis], bounds[axis + 2]) for axis in (0, 1)))
            if not shown.all():
                rims.append((rim, shown))
    if not rims:
        return None
    mask = np.full(maps[0].shape, 255, np.uint8)
    for rim, shown in rims:
        mask[rim] = shown
    return Inside(mask, tuple(rim for rim, _ in rims))
