"""One gray plane of a frame with colours, each fetched from where it stands: the air spreads them along the vertical.

Colours merged where they lie are a blurred picture as soon as the spread is a pixel, and fine detail along it no
longer tells of motion: of 32 simulated mosaics 45 to 50 degrees from the zenith, stacks have 1.4 % less error in the
median and 2.9 % in the mean with the colours together; at the zenith nothing changes. Every cell of a mosaic is a
picture of its own, sampled every other pixel; it is interpolated at the points of the gray plane, moved by the shift of
its colour (cubic convolution: Keys 1981, IEEE Trans. ASSP 29, 1153; linear interpolation gains half a percent less).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture.mosaic import COLOUR_WEIGHTS, colour_offsets

Array = NDArray[np.float32]
Float = NDArray[np.float64]
Image = TypeVar("Image", Array, Float)
_BEFORE, _AFTER = 1, 2
"""Samples of a cubic kernel before and after the one at or left of a point."""


@dataclass(frozen=True)
class Gray:
    """How frames of one capture become gray."""

    mosaic: str | None
    """None for frames of full colour."""
    spread_px: Float
    """(3, 2) where each colour stands (down, right)."""

    def planes(self, frame: Array, corner_px: tuple[float, float], shape: tuple[int, int], step: int) -> list[Array]:
        """Return (h, w) red, green and blue of a frame (H, W) or (H, W, 3), sampled from (row, column) `corner_px` on.

        `shape` is the (h, w) of the planes, `step` the pixels of the frame that one of theirs covers: 1 or 2 for a
        mosaic, 1 for full colour. Beyond its borders the frame is mirrored.
        """
        if self.mosaic is None:
            moved = [(corner_px[0] + down, corner_px[1] + right) for down, right in self.spread_px]
            return [sampled(np.ascontiguousarray(frame[..., c]), place, shape) for c, place in enumerate(moved)]
        found = []
        for (down, right), cells in zip(self.spread_px, colour_offsets(self.mosaic).values(), strict=True):
            shown = []
            for row, column in cells:
                middle = (step - 1) / 2
                start = (corner_px[0] + middle + down - row) / 2, (corner_px[1] + middle + right - column) / 2
                shown.append(_between(np.ascontiguousarray(frame[row::2, column::2]), start, shape, step))
            both = shown[0] if len(shown) == 1 else cv2.addWeighted(shown[0], 0.5, shown[1], 0.5, 0)
            found.append(np.asarray(both, np.float32))
        return found

    def plane(self, frame: Array, corner_px: tuple[float, float], shape: tuple[int, int], step: int) -> Array:
        """Return the colours of `planes` merged."""
        red, green, blue = self.planes(frame, corner_px, shape, step)
        merged = cv2.addWeighted(red, COLOUR_WEIGHTS[0], blue, COLOUR_WEIGHTS[2], 0)
        return np.asarray(cv2.scaleAdd(green, COLOUR_WEIGHTS[1], merged, dst=merged), np.float32)


def cubic_weights(away: float) -> Array:
    """Return the weights of the samples at -1, 0, 1, 2 for a point at `away`, 0 to 1 (Keys's equation 4, a = -1/2)."""
    t = away
    weights = [t * (-1 + t * (2 - t)), 2 + t * t * (3 * t - 5), t * (1 + t * (4 - 3 * t)), t * t * (t - 1)]
    return np.array(weights, np.float32) / np.float32(2)


def sampled(
    image: Image,
    start: tuple[float, float],
    shape: tuple[int, int],
    weights: Callable[[float], NDArray[np.floating]] = cubic_weights,
    border: int = cv2.BORDER_REFLECT,
) -> Image:
    """Return (h, w) an image (H, W) at rows and columns one apart from `start` on, mirrored beyond its borders.

    `weights` are those of the samples at -1, 0, 1, 2 for a point between 0 and 1, `border` is OpenCV's name of the
    mirror: about the edges of the outermost pixels where not said.
    """
    whole = [int(np.floor(place)) for place in start]
    first = [place - _BEFORE for place in whole]
    last = [place + size + _AFTER for place, size in zip(whole, shape, strict=True)]
    before = [max(0, -place) for place in first]
    after = [max(0, place - size) for place, size in zip(last, image.shape, strict=True)]
    part: Any = image[max(0, first[0]) : max(0, last[0]), max(0, first[1]) : max(0, last[1])]
    if any(before) or any(after):
        part = cv2.copyMakeBorder(part, before[0], after[0], before[1], after[1], border)
    down, right = (weights(place - floor) for place, floor in zip(start, whole, strict=True))
    full: Any = cv2.sepFilter2D(part, -1, right, down, anchor=(_BEFORE, _BEFORE))
    return full[_BEFORE:-_AFTER, _BEFORE:-_AFTER]  # type: ignore[no-any-return]


def _between(cell: Array, start: tuple[float, float], shape: tuple[int, int], step: int) -> Array:
    """Return (h, w) what a cell shows at points step / 2 of its samples apart."""
    if step == 2:
        return sampled(cell, start, shape)
    whole = np.empty(shape, np.float32)
    for row in (0, 1):
        for column in (0, 1):
            part = whole[row::2, column::2]
            part[...] = sampled(cell, (start[0] + row / 2, start[1] + column / 2), part.shape)
    return whole
