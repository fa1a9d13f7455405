"""Bring the colours of a stack together: the air spreads them along the vertical."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, inf, isfinite
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift, measure_shift
from stacker.alignment.gray import sampled
from stacker.colour.air_spread import Expected, as_air_spreads
from stacker.colour.limb import agreed, limb_window
from stacker.colour.unlike_blur import shift_under_unlike_blur
from stacker.stacking.record import Stack

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
NAMES = {0: "red", 2: "blue"}
LARGEST_ERROR_PX = 0.5
"""A shift less certain than this is not applied."""
SKY_PX, EDGE_PX = 16, 4
"""Sky around a disc that counts, and softness of its edge: a window that touches a displaced limb pulls it back."""
FINEST_CYC_PER_PX = 0.42
"""Of a camera pixel. Beyond, a mosaic leaves a pattern that is fixed to the sensor and pulls every shift to zero."""
UNLIKE_PX = 0.02
"""What the colours of one scene differ in shows up as a shift of this size on simulated captures, whatever the noise;
added in quadrature to the error."""
LIMB_FINEST_CYC_PER_PX = 0.2
"""Finer detail of a limb tells nothing but time: 0.25 and 0.42 are no better."""
LIMB_STEPS = 3
"""A window along the limb pulls each shift back towards none; one step leaves a tenth more error."""


def colour_shifts(stack: Stack) -> tuple[Shift, Shift]:
    """Return where red and blue stand relative to green, by coherence-weighted phase correlation over the target.

    Detail finer than 0.42 cycles per camera pixel does not vote. Limits: where the colours of the scene differ, .02 px
    remain on discs, rms, .01 px on surfaces.
    """
    planes = [np.ascontiguousarray(stack.image[..., colour]) for colour in range(3)]
    return tuple(plane_shift(planes[k], planes[1], stack.mask, stack.kind, stack.zoom) for k in (0, 2))  # type: ignore[return-value]


def plane_shift(plane: Array, reference: Array, mask: Mask, kind: str, zoom: float = 1.0) -> Shift:
    """Return where a target stands in `plane` (H, W) minus in `reference` (H, W), two colours of one target.

    `mask` (H, W) is True on the target in the reference; `kind` is `disc` or `surface`; `zoom` is pixels per camera
    pixel. A disc's sky is taken out of each plane first: a pedestal would tie the window to the image. A first phase
    correlation brings the plane back, so that the window cuts both alike; the rest is had under unlike blur. A disc is
    asked twice, as a whole and along its limb: belts whose colours differ pull the one and hardly the other.
    """
    finest = FINEST_CYC_PER_PX / zoom
    there, window = windowed(reference, mask, kind, finest)
    here = windowed(plane, mask, kind, finest)[0]
    first = measure_shift(here, there)
    if not isfinite(first.error_px):
        return first
    moved = moved_back(plane, (first.dy_px, first.dx_px))
    rest = shift_under_unlike_blur(windowed(moved, mask, kind, finest)[0], there, window, finest, zoom)
    error = hypot(rest.error_px, UNLIKE_PX * zoom)
    whole = Shift(first.dy_px + rest.dy_px, first.dx_px + rest.dx_px, error, rest.coherence)
    if kind == "surface" or not isfinite(error):
        return whole
    return agreed(whole, _limb_shift(plane, reference, mask, whole, zoom), UNLIKE_PX * zoom)


def _limb_shift(plane: Array, reference: Array, mask: Mask, start: Shift, zoom: float) -> Shift:
    """Return the shift that the limb of a disc shows, found from `start` on."""
    finest = LIMB_FINEST_CYC_PER_PX / zoom
    box, window = _surroundings(mask)
    window = window * limb_window(mask[box], zoom)

    def along_limb(image: Array) -> Array:
        smooth = smoothed(image, finest) * window
        return smooth - window * np.float32(smooth.sum() / window.sum())

    here = plane[box] - np.float32(sky_level(plane, mask))
    there = along_limb(reference[box] - np.float32(sky_level(reference, mask)))
    found = start
    for _ in range(LIMB_STEPS):
        moved = along_limb(sampled(here, (found.dy_px, found.dx_px), here.shape))
        rest = shift_under_unlike_blur(moved, there, window, finest, zoom)
        found = Shift(found.dy_px + rest.dy_px, found.dx_px + rest.dx_px, rest.error_px, rest.coherence)
    return found


def windowed(image: Array, mask: Mask, kind: str, finest_cyc_per_px: float) -> tuple[Array, Array]:
    """Return a picture (H, W) of a target, without its sky or mean and its finest detail, under a window; and that."""
    if kind == "surface":
        window = np.outer(*(np.hanning(size) for size in mask.shape)).astype(np.float32)
        smooth = smoothed(image, finest_cyc_per_px)
        return (smooth - np.average(smooth, weights=window).astype(np.float32)) * window, window
    box, window = _surroundings(mask)
    cut = smoothed((image[box] - np.float32(sky_level(image, mask))) * window, finest_cyc_per_px)
    # A disc in its sky ends by itself.
    return cut, np.ones_like(window)


def sky_level(image: Array, mask: Mask) -> float:
    """Return the median of an image (H, W) well outside the mask; of the whole border where the mask leaves no sky."""
    far = cv2.dilate(mask.astype(np.uint8), np.ones((2 * EDGE_PX + 1, 2 * EDGE_PX + 1), np.uint8)) == 0
    if not far.any():
        far[[0, -1]] = True
        far[:, [0, -1]] = True
    return float(np.median(image[far]))


def smoothed(image: Array, finest_cyc_per_px: float) -> Array:
    """Return an image (H, W) without the frequencies beyond a limit; its borders are taken as mirrors."""
    from scipy.fft import dctn, idctn

    spectrum = dctn(image, type=2)
    # Coefficient k of n samples is k / 2n cycles per pixel.
    fy, fx = (np.arange(size) / (2 * size) for size in image.shape)
    spectrum[np.hypot(fy[:, None], fx[None]) > finest_cyc_per_px] = 0
    return np.asarray(idctn(spectrum, type=2), np.float32)


def _surroundings(mask: Mask) -> tuple[tuple[slice, slice], Array]:
    """Return the box around a disc and its sky, and a soft window in it that ends before the frame does."""
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    reach = SKY_PX + 3 * EDGE_PX
    box = (
        slice(max(int(rows[0]) - reach, 0), int(rows[-1]) + reach + 1),
        slice(max(int(columns[0]) - reach, 0), int(columns[-1]) + reach + 1),
    )
    grown = cv2.dilate(mask.astype(np.float32), np.ones((2 * SKY_PX + 1, 2 * SKY_PX + 1), np.uint8))
    # What the frame cuts would be tied to where it is cut: one of 192 shifts was .51 px off by that.
    rim = min(2 * EDGE_PX, min(mask.shape) // 8)
    grown[:rim] = grown[-rim:] = grown[:, :rim] = grown[:, -rim:] = 0
    return box, np.asarray(cv2.GaussianBlur(grown, (0, 0), EDGE_PX)[box], np.float32)


def is_measured(shift: Shift) -> bool:
    """Return whether a shift is certain enough to be applied."""
    return isfinite(shift.error_px) and shift.error_px < LARGEST_ERROR_PX


def moved_stack(stack: Stack, shifts: dict[int, Shift]) -> Stack:
    """Return a colour stack with some of its channels moved back by where they stand: {channel: shift}."""
    names = ("image", "variance", "coverage", "half_a", "half_b")
    moved: dict[str, Any] = {name: np.array(getattr(stack, name)) for name in names}
    for colour, shift in shifts.items():
        for key, image in moved.items():
            order = 1 if key in ("variance", "coverage") else 3
            image[..., colour] = moved_back(image[..., colour], (shift.dy_px, shift.dx_px), order)
    return replace(stack, **moved)


def moved_back(plane: Array, shift_px: tuple[float, float], order: int = 3) -> Array:
    """Return a plane moved back by a shift, by splines of order 3 or 1, mirrored about its outermost pixels.

    OpenCV's own warps would round the shift to 1/32 px, as much as is known of it; SciPy's take ten times as long.
    """
    from scipy.ndimage import spline_filter

    if order == 1:
        return sampled(plane, shift_px, plane.shape, _linear_weights, cv2.BORDER_REFLECT_101)
    coefficients = np.asarray(spline_filter(plane, 3, np.float64, mode="mirror"), np.float64)
    moved = sampled(coefficients, shift_px, plane.shape, _spline_weights, cv2.BORDER_REFLECT_101)
    return moved.astype(np.float32)


def _linear_weights(away: float) -> Array:
    return np.array([0, 1 - away, away, 0], np.float32)


def _spline_weights(away: float) -> NDArray[np.float64]:
    """Return the cubic B-spline's values at the samples around a point (Unser 1999, IEEE SPM 16 (6), 22, box 1)."""
    t = away
    return np.array([(1 - t) ** 3, 4 + t * t * (3 * t - 6), 1 + t * (3 + t * (3 - 3 * t)), t**3]) / 6


def align_colours(stack: Stack, expected: Expected | None = None) -> Stack:
    """Return the stack with red and blue moved onto green; mono is returned as it is.

    What is measured is weighed against what the air does to colours, here and now where `expected` tells: see
    `as_air_spreads`. A colour that cannot be measured is moved by what the air makes of the other, or by what is
    expected. `colour_shifts` of the result keeps what was applied, `measured_colour_shifts` what the picture said.
    """
    if stack.image.ndim == 2:
        return stack
    red, blue = (s if is_measured(s) else replace(s, error_px=inf) for s in colour_shifts(stack))
    moved_red, moved_blue, told = as_air_spreads(red, blue, expected)
    pairs = {0: (moved_red, red), 2: (moved_blue, blue)}
    notes = [_told(NAMES[colour], shift, isfinite(seen.error_px)) for colour, (shift, seen) in pairs.items()]
    applied = {colour: shift for colour, (shift, _) in pairs.items() if isfinite(shift.error_px)}
    return replace(
        moved_stack(stack, applied),
        colour_shifts=(moved_red, moved_blue),
        measured_colour_shifts=(red, blue),
        notes=(*stack.notes, *notes, *([told] if told else [])),
    )


def _told(name: str, shift: Shift, measured: bool) -> str:
    if not isfinite(shift.error_px):
        return f"the shift of {name} against green could not be measured"
    where = f"{shift.dy_px:+.2f} px down and {shift.dx_px:+.2f} px right of green (+-{shift.error_px:.2f})"
    if measured:
        return f"{name} stood {where} and was moved back"
    return f"the shift of {name} against green could not be measured; taken as {where}, as the air spreads colours"
