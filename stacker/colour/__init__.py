"""Bring the colours of a stack together: the air spreads them along the vertical."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift, measure_shift
from stacker.stacking.record import Stack

__all__ = ["align_colours", "colour_shifts"]

Array = NDArray[np.float32]
LARGEST_ERROR_PX = 0.5
"""A shift less certain than this is not applied."""
SKY_PX, EDGE_PX = 16, 4
"""Sky around a disc that counts, and softness of its edge: a window that touches a displaced limb pulls it back."""


def colour_shifts(stack: Stack) -> tuple[Shift, Shift]:
    """Return where red and blue stand relative to green, by coherence-weighted phase correlation over the target."""
    height, width = stack.mask.shape
    if stack.kind == "surface":
        window: Array = np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
        box = np.s_[:, :]
    else:
        rows, columns = np.flatnonzero(stack.mask.any(1)), np.flatnonzero(stack.mask.any(0))
        reach = SKY_PX + 3 * EDGE_PX
        box = np.s_[
            max(rows[0] - reach, 0) : rows[-1] + reach + 1, max(columns[0] - reach, 0) : columns[-1] + reach + 1
        ]
        grown = cv2.dilate(stack.mask[box].astype(np.float32), np.ones((2 * SKY_PX + 1, 2 * SKY_PX + 1), np.uint8))
        window = np.asarray(cv2.GaussianBlur(grown, (0, 0), EDGE_PX), np.float32)
    planes = [np.ascontiguousarray(stack.image[box][..., colour]) for colour in range(3)]
    return measure_shift(planes[0], planes[1], window), measure_shift(planes[2], planes[1], window)


def align_colours(stack: Stack) -> Stack:
    """Return the stack with red and blue moved onto green; mono is returned as it is."""
    if stack.image.ndim == 2:
        return stack
    red, blue = colour_shifts(stack)
    notes = list(stack.notes)
    names = ("image", "variance", "coverage", "half_a", "half_b")
    moved: dict[str, Any] = {name: np.array(getattr(stack, name)) for name in names}
    for colour, name, shift in ((0, "red", red), (2, "blue", blue)):
        if not shift.error_px < LARGEST_ERROR_PX:
            notes.append(f"the shift of {name} against green could not be measured")
            continue
        notes.append(
            f"{name} stood {shift.dy_px:+.2f} px down and {shift.dx_px:+.2f} px right of green"
            f" (+-{shift.error_px:.2f}) and was moved back"
        )
        for key, image in moved.items():
            image[..., colour] = _moved(image[..., colour], shift, order=1 if key in ("variance", "coverage") else 3)
    return replace(stack, **moved, notes=tuple(notes))


def _moved(plane: Array, shift: Shift, order: int) -> Array:
    """Return a plane moved back by a shift; OpenCV would round it to 1/32 px, ten times what is known of it."""
    from scipy.ndimage import shift as spline_shift

    return np.asarray(spline_shift(plane, (-shift.dy_px, -shift.dx_px), np.float32, order=order, mode="mirror"))
