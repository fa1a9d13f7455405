"""Pictures of one target through several filters, laid onto each other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, inf

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift
from stacker.colour.registering import is_measured, moved_back, plane_shift

Real = NDArray[np.float32]
Mask = NDArray[np.bool_]
OUTLINE_ERROR_PX = 0.3
"""Of a disc's middle by its outline, where its details in two filters have nothing in common."""

STRAYED_PX = 3.0
"""Details that tell another place than the outline by more are not the same details."""


@dataclass(frozen=True)
class Plane:
    """One linear picture of a set."""

    name: str
    image: Real
    """(H, W) or (H, W, 3), linear."""
    variance: Real
    """As `image`."""
    coverage: Real
    """As `image`; 0 where nothing was seen."""
    finished: Real
    """As `image`, sharpened, linear."""
    mask: Mask
    """(H, W), True on the target."""
    kind: str
    """`disc` or `surface`."""

    @property
    def grey(self) -> Real:
        """Return the plane that shifts are measured on: green where there are colours."""
        return self.image if self.image.ndim == 2 else np.ascontiguousarray(self.image[..., 1])


def register(plane: Plane, reference: Plane, ceiling: float = inf, reference_ceiling: float = inf) -> Shift:
    """Return where the target stands in `plane` minus where it stands in `reference`; their sizes may differ.

    Whole pixels come first, from the middles of the discs or from a first correlation, then `plane_shift` measures the
    rest on both cut to the reference's pixels. What is brighter than a ceiling counts as the ceiling. A disc whose
    details have nothing in common with the reference's is laid by its outline, with an error of 0.3 px.
    """
    grey, there = np.minimum(plane.grey, np.float32(ceiling)), np.minimum(reference.grey, np.float32(reference_ceiling))
    whole = _whole_shift(plane, reference)
    cut = laid(grey, whole, there.shape, float(np.median(grey)))
    found = plane_shift(cut, there, reference.mask, reference.kind)
    strayed = hypot(found.dy_px, found.dx_px) > max(STRAYED_PX, 0.05 * float(np.sqrt(reference.mask.sum())))
    if is_measured(found) and not (reference.kind == "disc" and strayed):
        return Shift(whole[0] + found.dy_px, whole[1] + found.dx_px, found.error_px, found.coherence)
    if reference.kind == "disc":
        dy, dx = np.array(_middle(plane.mask)) - _middle(reference.mask)
        return Shift(float(dy), float(dx), OUTLINE_ERROR_PX, 0.0)
    return replace(found, error_px=inf)


def moved_plane(plane: Plane, shift: Shift, shape: tuple[int, int]) -> Plane:
    """Return a plane on a reference's pixels (H, W), moved back by its shift; coverage is 0 where it saw nothing."""
    whole = round(shift.dy_px), round(shift.dx_px)
    rest = shift.dy_px - whole[0], shift.dx_px - whole[1]

    def moved(image: Real, fill: float, order: int) -> Real:
        if image.ndim == 3:
            return np.stack([moved(image[..., k], fill, order) for k in range(image.shape[2])], 2)
        return moved_back(laid(np.ascontiguousarray(image), whole, shape, fill), rest, order)

    sky = float(np.median(plane.image))
    mask = laid(plane.mask.astype(np.float32), whole, shape, 0.0) > 0.5
    return replace(
        plane,
        image=moved(plane.image, sky, 3),
        variance=moved(plane.variance, float(np.median(plane.variance)), 1),
        coverage=moved(plane.coverage, 0.0, 1),
        finished=moved(plane.finished, float(np.median(plane.finished)), 3),
        mask=mask,
    )


def laid(image: Real, whole_px: tuple[int, int], shape: tuple[int, int], fill: float) -> Real:
    """Return (H, W) of `shape`: `image` moved back by whole pixels, `fill` where it does not reach."""
    canvas = np.full(shape, fill, np.float32)
    source, target = [], []
    for moved, have, want in zip(whole_px, image.shape, shape, strict=True):
        first = max(0, -moved)
        last = min(want, have - moved)
        target.append(slice(first, max(first, last)))
        source.append(slice(first + moved, max(first, last) + moved))
    canvas[target[0], target[1]] = image[source[0], source[1]]
    return canvas


def _whole_shift(plane: Plane, reference: Plane) -> tuple[int, int]:
    if reference.kind == "disc" and plane.mask.any() and reference.mask.any():
        dy, dx = np.array(_middle(plane.mask)) - _middle(reference.mask)
        return round(float(dy)), round(float(dx))
    rows, columns = (min(a, b) for a, b in zip(plane.grey.shape, reference.grey.shape, strict=True))
    window = np.outer(np.hanning(rows), np.hanning(columns)).astype(np.float32)
    pair = [np.ascontiguousarray(grey[:rows, :columns], np.float64) for grey in (reference.grey, plane.grey)]
    # Slow shading would hide the details that tell the shift.
    pair = [image - cv2.GaussianBlur(image, (0, 0), max(4.0, 0.03 * rows)) for image in pair]
    (dx, dy), _ = cv2.phaseCorrelate(pair[0], pair[1], window.astype(np.float64))
    return round(dy), round(dx)


def _middle(mask: Mask) -> tuple[float, float]:
    rows, columns = np.nonzero(mask)
    return float(rows.mean()), float(columns.mean())
