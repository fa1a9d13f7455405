"""Full colour from one raw mosaic frame, for captures that stand too still to fill the grid by themselves.

Malvar, He & Cutler 2004 (ICASSP 2004, III-485, "High-quality linear interpolation for demosaicing of Bayer-patterned
color images"): bilinear interpolation corrected by the Laplacian of the colour that was sampled; all four filters are
5 x 5, sum to 1 and are linear, so that noise and flux stay what they are on average.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture.mosaic import colour_offsets

Array = NDArray[np.float32]

_GREEN = np.array([[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]], np.float32)
_ALONG_ROW = np.array(
    [[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]], np.float32
)
_ACROSS = np.array(
    [[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0], [0, 0, -1.5, 0, 0]], np.float32
)
GREEN_AT_OTHERS, OTHER_ALONG_ROW, OTHER_ALONG_COLUMN, OTHER_ACROSS = (
    kernel / np.float32(8) for kernel in (_GREEN, _ALONG_ROW, np.ascontiguousarray(_ALONG_ROW.T), _ACROSS)
)
"""Green where red or blue was sampled; red or blue where green was, its samples in the same row or in the same column;
red where blue was and the reverse (figure 2 of the paper)."""


def demosaic(raw: Array, mosaic: str) -> Array:
    """Return (H, W, 3) float32 R, G, B from a raw (H, W) float32 frame; measured samples stay as they are.

    Borders are mirrored about the outermost pixels, which keeps the pattern. Raises ValueError for an unknown mosaic.
    """
    cells = colour_offsets(mosaic)
    filtered = {
        name: _filtered(raw, kernel)
        for name, kernel in (
            ("green", GREEN_AT_OTHERS),
            ("row", OTHER_ALONG_ROW),
            ("column", OTHER_ALONG_COLUMN),
            ("across", OTHER_ACROSS),
        )
    }
    full = np.empty((*raw.shape, 3), np.float32)
    full[..., 1] = filtered["green"]
    _copy(full[..., 1], raw, cells["G"])
    for channel, own, other in ((0, "R", "B"), (2, "B", "R")):
        plane = full[..., channel]
        _copy(plane, raw, cells[own])
        _copy(plane, filtered["across"], cells[other])
        for row, column in cells["G"]:
            same_row = row == cells[own][0][0]
            _copy(plane, filtered["row" if same_row else "column"], [(row, column)])
    return full


def _filtered(raw: Array, kernel: Array) -> Array:
    return np.asarray(cv2.filter2D(raw, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT_101), np.float32)


def _copy(target: Array, source: Array, cells: list[tuple[int, int]]) -> None:
    for row, column in cells:
        target[row::2, column::2] = source[row::2, column::2]
