"""Carry one frame's pixels to the common geometry."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.level import Inside, Level, seen
from stacker.alignment.record import Alignment
from stacker.capture.mosaic import colour_offsets
from stacker.stacking.strips import strips

Array = NDArray[np.float32]


@dataclass(frozen=True)
class Warper:
    """Sampling maps of whole frames: the displacement field inside the region, carried on smoothly outside."""

    alignment: Alignment
    level: Level
    frame_shape: tuple[int, int]
    rows: Array
    columns: Array
    """(H', W') where the stack's pixels stand in the camera's of the anchor frame; apart by less than 1 when zoomed."""
    zoom: float

    @classmethod
    def over(cls, alignment: Alignment, shape: tuple[int, int], zoom: float = 1.0, coarsely: bool = False) -> Warper:
        """Return the maps' maker for frames of (H, W) pixels, for a stack of `zoom` times as many along each side.

        Fields are worked out in every second pixel, `coarsely` in every fourth, and are straight in between.
        """
        rows, columns = (((np.arange(int(size * zoom)) + 0.5) / zoom - 0.5).astype(np.float32) for size in shape)
        whole = [np.ascontiguousarray(part, np.float32) for part in np.meshgrid(rows, columns, indexing="ij")]
        binning = (4 if coarsely else 2) if min(alignment.region.shape) >= 96 else 1
        return cls(alignment, alignment.level(binning), shape, whole[0], whole[1], zoom)

    def field(self, coefficients: NDArray[np.float64]) -> tuple[Array, Array]:
        """Return (dy_px, dx_px), each (H', W') in camera pixels, of a field (tiles, modes)."""
        return self._whole(*self.level.displacement(self.alignment.modes, coefficients))

    def maps(self, order: int) -> tuple[Array, Array]:
        """Return the (rows, columns) in used frame `order` where the common geometry's pixels stand."""
        coefficients = self.alignment.coefficients[order].astype(np.float64)
        dy, dx = self.level.displacement(self.alignment.modes, coefficients)
        for part, moved in zip((dy, dx), self.alignment.coarse_px[order], strict=True):
            part += np.float32(moved)
        rows, columns = self._whole(dy, dx)
        rows += self.rows
        columns += self.columns
        return rows, columns

    def seen(self, maps: tuple[Array, Array]) -> Inside | None:
        """Return where the maps (H', W') of a frame stay inside it; None if all do."""
        height, width = self.frame_shape
        return seen(maps, (self.rows, self.columns), (0, 0, height - 1, width - 1))

    def _whole(self, *parts: Array) -> tuple[Array, Array]:
        region = self.alignment.region
        height, width = self.frame_shape
        whole = []
        for part in parts:
            full = cv2.resize(part, region.shape[::-1], interpolation=cv2.INTER_LINEAR)
            inside = full[max(0, -region.top) :, max(0, -region.left) :]
            inside = inside[: height - max(0, region.top), : width - max(0, region.left)]
            above, left = max(0, region.top), max(0, region.left)
            below, right = height - above - inside.shape[0], width - left - inside.shape[1]
            if above or left or below or right:
                inside = cv2.copyMakeBorder(inside, above, below, left, right, cv2.BORDER_REPLICATE)
            if self.zoom != 1:
                inside = cv2.remap(inside, self.columns, self.rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            whole.append(np.ascontiguousarray(inside, np.float32))
        return whole[0], whole[1]


def colour_masks(shape: tuple[int, int], mosaic: str) -> Array:
    """Return (H, W, 3) float32: 1 where a mosaic sensor sees R, G, B."""
    masks = np.zeros((*shape, 3), np.float32)
    for channel, cells in enumerate(colour_offsets(mosaic).values()):
        for row, column in cells:
            masks[row::2, column::2, channel] = 1
    return masks


def carry_mosaic(raw: Array, masks: Array, maps: tuple[Array, Array]) -> tuple[Array, Array]:
    """Return (weighted samples, weights), both (H, W, 3), of a raw mosaic frame.

    Every output pixel takes the raw samples of each colour less than a pixel away, weighted by a tent: no colour is
    ever interpolated from its neighbours, the motion of the frames fills the grid (Fruchter & Hook 2002, PASP 114, 144,
    for the idea of averaging samples where they fall).
    """
    seen = raw[..., None] * masks
    shape = (*maps[0].shape, 3)
    samples, weights = np.empty(shape, np.float32), np.empty(shape, np.float32)
    for rows in strips(shape):
        place = [np.ascontiguousarray(part[rows]) for part in maps]
        for source, carried in ((seen, samples), (masks, weights)):
            cv2.remap(
                source,
                place[1],
                place[0],
                cv2.INTER_LINEAR,
                dst=carried[rows],
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=0,
            )
    return samples, weights


def green_of(raw: Array, mosaic: str | None) -> Array:
    """Return a full (H, W) green plane of a raw mosaic frame: samples where green is, the mean of four between."""
    green = colour_masks((raw.shape[0], raw.shape[1]), mosaic or "RGGB")[..., 1]
    samples = raw * green
    kernel = np.array([[0, 0.25, 0], [0.25, 0, 0.25], [0, 0.25, 0]], np.float32)
    between = cv2.filter2D(samples, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(samples + between * (1 - green), np.float32)
