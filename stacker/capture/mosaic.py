"""The colour mosaic in front of a sensor: where its colours lie, and a luminance free of its pattern."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import MOSAICS
from stacker.capture.sequence import Frame

Cells = dict[str, list[tuple[int, int]]]
COLOUR_WEIGHTS = (0.25, 0.5, 0.25)
"""Of red, green and blue in a gray plane: photons of so many cells. Equal contrast is then worth its noise."""
_KERNEL = np.array([0.25, 0.5, 0.25], np.float32)


def colour_offsets(mosaic: str) -> Cells:
    """Return (row, column) of each colour's cells in the 2x2 pattern: one for R, two for G, one for B.

    >>> colour_offsets("GRBG")["G"]
    [(0, 0), (1, 1)]

    Raises ValueError for a name that is none of RGGB, BGGR, GRBG, GBRG.
    """
    if mosaic not in MOSAICS:
        raise ValueError(f"mosaic {mosaic!r} is none of {', '.join(MOSAICS)}")
    cells: Cells = {"R": [], "G": [], "B": []}
    for place, colour in enumerate(mosaic):
        cells[colour].append(divmod(place, 2))
    return cells


def luminance(frame: Frame, mosaic: str | None, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
    """Return a full-resolution gray plane (H, W) float32 in the frame's units, for ranking and alignment.

    `frame` is (H, W), raw where `mosaic` is set, or (H, W, 3) RGB. A raw mosaic is smoothed by
    [1 2 1]/4 x [1 2 1]/4 with mirrored borders: wherever the window stands, each of the four cells of the
    pattern weighs 1/4, so R : G : B = 1 : 2 : 1 everywhere, and a symmetric kernel shifts nothing. Full colour
    is weighed alike; gray is converted only, and returned itself where it is float32. `out` is filled and returned
    where given.

    Limits: detail finer than two pixels is lost to the smoothing (its transfer is cos^2(pi f) per axis).
    """
    import cv2

    if out is None and mosaic is None and frame.ndim == 2:
        return frame.astype(np.float32, copy=False)
    result: NDArray[np.float32] = np.empty(frame.shape[:2], np.float32) if out is None else out
    if frame.ndim == 3:
        cv2.transform(frame.astype(np.float32), np.array([COLOUR_WEIGHTS], np.float32), dst=result)
    elif mosaic is None:
        np.copyto(result, frame)
    else:
        colour_offsets(mosaic)
        cv2.sepFilter2D(frame, cv2.CV_32F, _KERNEL, _KERNEL, dst=result, borderType=cv2.BORDER_REFLECT_101)
    return result
