"""A frame reduced to one luminance plane of binned pixels: what the first pass looks at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture
from stacker.capture.mosaic import COLOUR_WEIGHTS

Plane = NDArray[np.float32]


@dataclass(frozen=True)
class Binning:
    """How frames are reduced: `fine` frame pixels a plane pixel, `coarse` plane pixels a tracking pixel."""

    shape: tuple[int, int]
    """(H, W) of the frames."""
    fine: int
    coarse: int

    @property
    def coarse_px(self) -> int:
        """Frame pixels across one tracking pixel."""
        return self.fine * self.coarse

    @property
    def coarse_shape(self) -> tuple[int, int]:
        """(rows, columns) of the tracking plane."""
        return self.shape[0] // self.coarse_px, self.shape[1] // self.coarse_px

    @property
    def fine_shape(self) -> tuple[int, int]:
        """(rows, columns) of the plane: a whole number of tracking pixels."""
        return self.coarse_shape[0] * self.coarse, self.coarse_shape[1] * self.coarse


def choose_binning(capture: Capture, diameter_px: float | None = None, quick: bool = False) -> Binning:
    """Return the binning for a capture whose disc is `diameter_px` across (None: unknown, or a surface).

    The tracking plane has about 100 to 200 pixels on its short side, bins at most 8 pixels, and never shrinks a
    disc below 12 pixels; a colour mosaic is binned by 2 at least, which joins its four colours. `quick` judges frames
    on 4x4 pixels where 24 of those lie across a disc: the best fifth loses 1 % of its Strehl ratio.
    """
    height, width = capture.shape[:2]
    smallest = 2 if capture.mosaic else 1
    fine = 2 if diameter_px is None or diameter_px >= 48 else smallest
    fine = fine if min(height, width) >= 128 else smallest
    whole = 2 ** int(np.clip(np.log2(max(min(height, width), 1) / 100), 0, 3))
    if diameter_px is not None:
        whole = min(whole, 2 ** int(max(0.0, np.log2(max(diameter_px, 1) / 12))))
    if quick and whole >= 4 and (diameter_px is None or diameter_px >= 96):
        fine = 4
    return Binning((height, width), fine, max(1, whole // fine))


def reduce_frame(frame: NDArray[Any], binning: Binning, out: Plane | None = None) -> Plane:
    """Return the luminance plane of a frame, `binning.fine_shape` float32, in ADU.

    The 2x2 cells of a mosaic are averaged whole, so its pattern leaves no trace; colour is weighted 1:2:1.
    """
    rows, columns = binning.fine_shape
    fine = binning.fine
    part = frame[: rows * fine, : columns * fine]
    if fine == 4:
        # Halving twice is OpenCV's fast path; the first half may be rounded, the second is not.
        part = cv2.resize(part, (2 * columns, 2 * rows), interpolation=cv2.INTER_AREA).astype(np.float32)
    if fine > 1:
        part = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)
    if part.ndim == 3:
        part = cv2.transform(part.astype(np.float32), np.array([COLOUR_WEIGHTS], np.float32))
    if out is None:
        return np.ascontiguousarray(part, dtype=np.float32)
    np.copyto(out, part, casting="unsafe")
    return out


def shrink(plane: Plane, binning: int) -> Plane:
    """Return the mean over `binning` x `binning` pixels, a power of two."""
    while binning > 1:
        # Halving step by step stays on OpenCV's fast path.
        plane = np.asarray(cv2.resize(plane, (plane.shape[1] // 2, plane.shape[0] // 2), interpolation=cv2.INTER_AREA))
        binning //= 2
    return plane


def coarse_planes(planes: Plane, binning: Binning) -> Plane:
    """Return the tracking planes of planes (K, h, w): binned, and freed of lone hot or dead pixels by a 3x3 median."""
    rows, columns = binning.coarse_shape
    # One tall picture: each plane holds whole bins, so none reaches into the next.
    small = shrink(planes.reshape(-1, planes.shape[2]), binning.coarse)
    coarse = small.reshape(len(planes), rows, columns)
    if min(rows, columns) < 3:
        return np.array(coarse, dtype=np.float32)
    filtered = np.empty(coarse.shape, np.float32)
    for plane, into in zip(coarse, filtered, strict=True):
        cv2.medianBlur(plane, 3, dst=into)
    return filtered


def raw_plane(frame: NDArray[Any], mosaic: str | None) -> Plane:
    """Return pixels of one colour as the camera stored them, float32: their noise is not averaged."""
    if frame.ndim == 3:
        return np.ascontiguousarray(frame[..., 1], dtype=np.float32)
    if mosaic is None:
        return np.ascontiguousarray(frame, dtype=np.float32)
    first_green = mosaic.upper().find("G")
    return np.ascontiguousarray(frame[first_green // 2 :: 2, first_green % 2 :: 2], dtype=np.float32)


def fill_not_finite(plane: Plane) -> bool:
    """Put the plane's median in place of what is nan or infinite; return whether there was any."""
    good = np.isfinite(plane)
    if good.all():
        return False
    plane[~good] = np.median(plane[good]) if good.any() else 0
    return True
