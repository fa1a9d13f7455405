"""Where to look for the air: square patches with detail in their middle."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float32]

_STRIDE = 8
_OFF_MIDDLE = 0.12
_APART = 0.5
_LEAST = 0.05
_FINE, _COARSE = 0.5, 1.6


def hann(length: int) -> Real:
    """Return a window that falls softly to zero beyond both ends, peak 1."""
    return np.asarray(np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2, np.float32)


def place_patches(
    picture: Real,
    mask: NDArray[np.bool_],
    size_px: int,
    cutoff_cyc_per_px: float,
    margin_px: tuple[int, int],
    most: int,
) -> list[tuple[int, int]]:
    """Return the corners (row, column) of at most `most` patches of `size_px`, most detail first.

    `picture` (H, W) is one good frame, `mask` (H, W) the target in it; `margin_px` (rows, columns) stay free along the
    frame's border, for the target's wandering. Detail is what stands out at 0.5 to 1.6 of lambda / D. Patches whose
    detail lies off their middle are left out: the air moves it otherwise than what the window weighs most. They overlap
    by half at most. Empty where the frame is too small.
    """
    detail = _detail(picture, cutoff_cyc_per_px)
    detail *= cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8))
    weight, off_middle = _weigh(detail, size_px)
    half = size_px // 2
    rows, columns = (
        np.arange(half + margin, length - (size_px - half) - margin + 1, max(1, size_px // _STRIDE))
        for margin, length in zip(margin_px, picture.shape, strict=True)
    )
    if not len(rows) or not len(columns):
        return []
    centres = np.stack(np.meshgrid(rows, columns, indexing="ij"), -1).reshape(-1, 2)
    held, off = weight[centres[:, 0], centres[:, 1]], off_middle[centres[:, 0], centres[:, 1]]
    return [(int(y) - half, int(x) - half) for y, x in _greedy(centres, held, off, size_px, most)]


def _greedy(centres: NDArray[np.intp], held: Real, off: Real, size_px: int, most: int) -> list[NDArray[np.intp]]:
    """Return centres by falling weight, each at least half a patch from those before."""
    chosen: list[NDArray[np.intp]] = []
    for limit in (_OFF_MIDDLE, 1.0):
        good = np.flatnonzero((off <= limit * size_px) & (held >= _LEAST * held.max()))
        for index in good[np.argsort(-held[good], kind="stable")]:
            if len(chosen) == most:
                break
            if all(np.abs(centres[index] - other).max() >= _APART * size_px for other in chosen):
                chosen.append(centres[index])
        if chosen:
            break
    return chosen


def _detail(picture: Real, cutoff: float) -> Real:
    """Return the squared difference of two Gaussian blurs, (H, W), its noise taken off."""
    fine, coarse = (cv2.GaussianBlur(picture, (0, 0), width / cutoff) for width in (_FINE, _COARSE))
    squared = np.asarray((fine - coarse) ** 2, np.float32)
    return np.asarray(np.maximum(squared - np.float32(np.percentile(squared, 20)), 0.0), np.float32)


def _weigh(detail: Real, size_px: int) -> tuple[Real, Real]:
    """Return, for a patch centred at each pixel, its detail under the window and how far off the middle that lies."""
    window = hann(size_px) ** 2
    lever = (np.arange(size_px, dtype=np.float32) - size_px // 2) * window
    anchor = (size_px // 2, size_px // 2)

    def summed(along_x: Real, along_y: Real) -> Real:
        border = cv2.BORDER_CONSTANT
        return np.asarray(cv2.sepFilter2D(detail, cv2.CV_32F, along_x, along_y, anchor=anchor, borderType=border))

    whole = np.maximum(summed(window, window), np.float32(1e-20))
    return whole, np.asarray(np.hypot(summed(lever, window), summed(window, lever)) / whole, np.float32)
