"""Power spectra of a target under one soft window.

A hard edge (the limb, the border of the frame) spreads power over all frequencies, and a mask shared by two images
fakes correlation between them. So every spectrum here is taken under one window that falls softly to zero inside
the target, after a quadratic surface (shading, limb darkening) has been taken away under that same window.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

Real = NDArray[np.float32]
Complex = NDArray[np.complex64]

_EROSION_OF_DEPTH = 0.06
_FEWEST_PX = 8
_NO_SURFACE = np.zeros((0, 0), np.float32)


@dataclass(frozen=True)
class AnalysisWindow:
    """Where and how softly a target is looked at; made by `analysis_window`."""

    rows: slice
    columns: slice
    weight: Real
    """(h, w) the window inside `rows` and `columns`, 0 to 1."""
    size: tuple[int, int]
    """(H', W') of the transform: (h, w) padded with zeros to fast lengths."""
    surface: Real = field(repr=False)
    """(6, h w) orthonormal under the window: constant, slopes and curvatures."""

    @property
    def modes(self) -> float:
        """Return the share of the transform's modes that are independent, (sum w^2)^2 / (sum w^4 H' W')."""
        square = self.weight.astype(np.float64) ** 2
        return float(square.sum() ** 2 / (square**2).sum() / (self.size[0] * self.size[1]))

    @property
    def spectrum_shape(self) -> tuple[int, int]:
        """Return the shape of the spectra: (H', W' // 2 + 1)."""
        return self.size[0], self.size[1] // 2 + 1

    def radius(self) -> Real:
        """Return the spatial frequency of every mode in cycles per pixel, shape `spectrum_shape`."""
        rows, columns = scipy.fft.fftfreq(self.size[0]), scipy.fft.rfftfreq(self.size[1])
        return np.asarray(np.hypot(rows[:, None], columns[None, :]), np.float32)

    def multiplicity(self) -> Real:
        """Return how often each mode of the half plane stands in the whole plane (1 or 2)."""
        count = np.full(self.spectrum_shape, 2.0, np.float32)
        count[:, 0] = 1.0
        if self.size[1] % 2 == 0:
            count[:, -1] = 1.0
        return count


def analysis_window(mask: NDArray[np.bool_], kind: str) -> AnalysisWindow:
    """Return the soft window inside a target.

    `mask` (H, W) is True on the target. A `disc` gets a window that rises as cos^2 from an eroded limb inward to
    half the depth of the disc; a `surface` gets a Hann window over the box that holds the mask.
    Raises ValueError where the target is less than 8 px across.
    """
    rows, columns = (_extent(np.asarray(mask.any(axis))) for axis in (1, 0))
    if min(rows.stop - rows.start, columns.stop - columns.start) < _FEWEST_PX:
        raise ValueError(f"the target is less than {_FEWEST_PX} px across")
    if kind == "surface":
        weight = np.outer(_hann(rows.stop - rows.start), _hann(columns.stop - columns.start))
    else:
        weight = _rising_inward(mask[rows, columns])
        inner = _extent(np.asarray(weight.any(1))), _extent(np.asarray(weight.any(0)))
        weight = weight[inner[0], inner[1]]
        rows, columns = (
            slice(outer.start + part.start, outer.start + part.stop)
            for outer, part in zip((rows, columns), inner, strict=True)
        )
    weight = np.ascontiguousarray(weight, np.float32)
    height, width = (scipy.fft.next_fast_len(n, real=True) for n in weight.shape)
    return AnalysisWindow(rows, columns, weight, (height, width), _surface_basis(weight))


def whole_window(shape: tuple[int, int]) -> AnalysisWindow:
    """Return the window that takes every pixel of (H, W) alike: right only where opposite borders meet."""
    return AnalysisWindow(slice(0, shape[0]), slice(0, shape[1]), np.ones(shape, np.float32), shape, _NO_SURFACE)


def windowed_spectrum(image: NDArray[np.floating], window: AnalysisWindow) -> Complex:
    """Return the half-plane transform (H', W'//2+1), complex64, of `image` (H, W) under the window.

    The quadratic surface that fits best under the window is removed first.
    """
    part = np.asarray(image[window.rows, window.columns], np.float32)
    weighted = (part - part.mean()) * window.weight
    flat = weighted.reshape(-1)
    if window.surface.size:
        flat -= (window.surface @ flat) @ window.surface
    return np.asarray(scipy.fft.rfft2(weighted, window.size), np.complex64)


def windowed_power(frame_dewarped: NDArray[np.floating], window: AnalysisWindow) -> Real:
    """Return |transform|^2 of one frame under the window: (H', W'//2+1), float32, ADU^2.

    Noise is white in it only where the frame was moved by whole pixels; interpolation makes it fall towards the
    highest frequencies.
    """
    spectrum = windowed_spectrum(frame_dewarped, window)
    return np.asarray(spectrum.real**2 + spectrum.imag**2, np.float32)


def _extent(line: NDArray[np.bool_]) -> slice:
    """Return the slice from the first to the last True."""
    places = np.flatnonzero(line)
    return slice(int(places[0]), int(places[-1]) + 1) if len(places) else slice(0, 0)


def _hann(length: int) -> Real:
    phase = (np.arange(length) + 0.5) / length
    return np.asarray(np.sin(np.pi * phase) ** 2, np.float32)


def _rising_inward(mask: NDArray[np.bool_]) -> Real:
    """Return 0 up to a limb that is eroded by a few pixels, rising as cos^2 to 1 at half the depth."""
    padded = np.pad(mask.astype(np.uint8), 1)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
    depth = depth - max(1.5, _EROSION_OF_DEPTH * float(depth.max()))
    rise = np.clip(depth / (0.5 * float(depth.max())), 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * rise) ** 2, np.float32)


def _surface_basis(weight: Real) -> Real:
    """Return the six quadratic terms times the window, orthonormal, as (6, h w)."""
    y, x = (np.linspace(-1.0, 1.0, n) for n in weight.shape)
    y, x = y[:, None] + 0 * x, x + 0 * y[:, None]
    terms = np.stack([np.ones_like(x), y, x, y * y, y * x, x * x]) * weight
    basis, _ = np.linalg.qr(terms.reshape(6, -1).T)
    return np.ascontiguousarray(basis.T, np.float32)
