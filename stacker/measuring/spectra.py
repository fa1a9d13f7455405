"""Power spectra of a target under one soft window.

A hard edge (the limb, the border of the frame) spreads power over all frequencies, and a mask shared by two images
fakes correlation between them. So every spectrum here is taken under one window that falls softly to zero inside
the target, after shading and limb darkening have been taken away under that same window.

Blurred detail falls by many powers of ten towards high frequencies, faster than any window's own leakage: what leaks
from the coarse detail of two images, and from a limb that the air has smeared across the window, would pass for fine
detail that both show. So the window is laid on the image's Laplacian, whose spectrum is nearly flat, and the Laplacian
is undone in the spectrum (prewhitening: Blackman & Tukey 1958, Bell Syst. Tech. J. 37, 185).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.packed_spectrum import add_squares, folded
from stacker.ranking.target import squared_depth

Real = NDArray[np.float32]
Complex = NDArray[np.complex64]

_EROSION_OF_DEPTH = 0.06
_FEWEST_PX = 8
WIDEST_PX = 1024
"""Of a wider target the middle is looked at."""
_INSCRIBED = 0.65
_LEAST_SHARE = 1e-6
_HIGHEST_POWER = 8
_LAPLACIAN = np.array([[1, 4, 1], [4, -20, 4], [1, 4, 1]], np.float32) / 6.0


@dataclass(frozen=True)
class Shading:
    """What counts as the Laplacian of shading: a quadratic surface.

    For a disc, what rises towards the limb as well, evenly or to one side. All are sums of products of a power of the
    row and one of the column, so that a fit takes the moments of an image and not a product with every surface.
    """

    down: Real
    """(h, powers) of the place along the rows, -1 to 1."""
    right: Real
    """(w, powers) the same along the columns."""
    solution: Real
    """(powers^2, powers^2) from the moments of an image to the factors of the surface that fits best."""

    @classmethod
    def under(cls, weight: Real, round_limb: bool) -> Shading:
        """Return the surfaces to fit under a window."""
        powers = _HIGHEST_POWER + 1 if round_limb else 3
        down, right = (np.vander(np.linspace(-1, 1, n), powers, increasing=True) for n in weight.shape)
        square = weight.astype(np.float64) ** 2
        # The moments of each pair of products under the squared window, from those along either axis.
        pairs = [(line[:, :, None] * line[:, None, :]).reshape(len(line), -1) for line in (down, right)]
        gram = (pairs[0].T @ square @ pairs[1]).reshape([powers] * 4).transpose(0, 2, 1, 3)
        surfaces = _surfaces(powers, round_limb)
        values, vectors = np.linalg.eigh(surfaces @ gram.reshape(powers**2, -1) @ surfaces.T)
        kept = values > _LEAST_SHARE * values[-1]
        apart = vectors[:, kept].T @ surfaces
        solution = (apart.T / values[kept]) @ apart
        return cls(*(np.asarray(part, np.float32) for part in (down, right, solution)))

    def best_fit(self, moments_of: Real) -> Real:
        """Return (h, w) the surface that fits best; `moments_of` is the image times the squared window."""
        moments = self.down.T @ moments_of @ self.right
        factors = (self.solution @ moments.reshape(-1)).reshape(moments.shape)
        return np.asarray(self.down @ factors @ self.right.T, np.float32)


def _surfaces(powers: int, round_limb: bool) -> NDArray[np.float64]:
    """Return the surfaces (n, powers^2) as factors of row^i column^j: a quadratic, r^4, r^8 and r^4 to one side."""
    found = [_power(i, j, powers) for i, j in ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))]
    if round_limb:
        fourth, eighth = (
            np.sum([math.comb(half, k) * _power(2 * k, 2 * (half - k), powers) for k in range(half + 1)], 0)
            for half in (2, 4)
        )
        found += [fourth, eighth, np.roll(fourth, 1, 0), np.roll(fourth, 1, 1)]
    return np.stack([np.asarray(factors).reshape(-1) for factors in found])


def _power(row: int, column: int, powers: int) -> NDArray[np.float64]:
    factors = np.zeros((powers, powers))
    factors[row, column] = 1.0
    return factors


@dataclass(frozen=True)
class AnalysisWindow:
    """Where and how softly a target is looked at; made by `analysis_window`."""

    rows: slice
    columns: slice
    weight: Real
    """(h, w) the window inside `rows` and `columns`, 0 to 1."""
    size: tuple[int, int]
    """(H', W') of the transform: (h, w) padded with zeros to fast lengths."""
    shading: Shading | None = field(repr=False)
    whitened: bool = True
    """Whether the window is laid on the Laplacian."""

    @property
    def modes(self) -> float:
        """Return the share of the transform's modes that are independent, (sum w^2)^2 / (sum w^4 H' W')."""
        square = self.weight.astype(np.float64) ** 2
        return float(square.sum() ** 2 / (square**2).sum() / (self.size[0] * self.size[1]))

    @property
    def spectrum_shape(self) -> tuple[int, int]:
        """Return the shape of the spectra: (H', W' // 2 + 1)."""
        return self.size[0], self.size[1] // 2 + 1

    @cached_property
    def radius(self) -> Real:
        """Return the spatial frequency of every mode in cycles per pixel, shape `spectrum_shape`."""
        rows, columns = np.fft.fftfreq(self.size[0]), np.fft.rfftfreq(self.size[1])
        return np.asarray(np.hypot(rows[:, None], columns[None, :]), np.float32)

    @cached_property
    def square(self) -> Real:
        """Return (h, w) the squared window."""
        return self.weight * self.weight

    @cached_property
    def restoring(self) -> Real:
        """What undoes the Laplacian in the spectrum, shape `spectrum_shape`; bounded where the window shows nothing."""
        rows, columns = np.fft.fftfreq(self.size[0])[:, None], np.fft.rfftfreq(self.size[1])[None, :]
        down, right = np.cos(2.0 * np.pi * rows), np.cos(2.0 * np.pi * columns)
        laplacian = (8.0 * (down + right) + 4.0 * down * right - 20.0) / 6.0
        least = (2.0 * np.pi / min(self.weight.shape)) ** 2
        return np.asarray(1.0 / np.minimum(laplacian, -least), np.float32)

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
    half the depth of the disc; a `surface` gets a Hann window over the box that holds the mask. Of targets wider than
    1024 px the middle is looked at, under a Hann window.
    Raises ValueError where the target is less than 8 px across.
    """
    return _window_over(np.packbits(mask).tobytes(), mask.shape, kind)


@lru_cache(maxsize=1)
def _window_over(bits: bytes, shape: tuple[int, ...], kind: str) -> AnalysisWindow:
    """Return the window over a packed mask; several stages look at one target through it."""
    mask = np.unpackbits(np.frombuffer(bits, np.uint8), count=math.prod(shape)).reshape(shape).astype(bool)
    rows, columns = (_extent(np.asarray(mask.any(axis))) for axis in (1, 0))
    if min(rows.stop - rows.start, columns.stop - columns.start) < _FEWEST_PX:
        raise ValueError(f"the target is less than {_FEWEST_PX} px across")
    depth = None
    if kind == "surface" or max(rows.stop - rows.start, columns.stop - columns.start) > WIDEST_PX:
        rows, columns = _middle(rows, kind), _middle(columns, kind)
        weight = np.outer(_hann(rows.stop - rows.start), _hann(columns.stop - columns.start))
    else:
        depth = _depth(mask[rows, columns])
        inner = _extent(np.asarray(depth.any(1))), _extent(np.asarray(depth.any(0)))
        depth = depth[inner[0], inner[1]]
        weight = np.sin(0.5 * np.pi * np.minimum(2.0 * depth, 1.0)) ** 2
        rows, columns = (
            slice(outer.start + part.start, outer.start + part.stop)
            for outer, part in zip((rows, columns), inner, strict=True)
        )
    weight = np.ascontiguousarray(weight, np.float32)
    height, width = (cv2.getOptimalDFTSize(n) for n in weight.shape)
    return AnalysisWindow(rows, columns, weight, (height, width), Shading.under(weight, depth is not None))


def whole_window(shape: tuple[int, int]) -> AnalysisWindow:
    """Return the window that takes every pixel of (H, W) alike: right only where opposite borders meet."""
    return AnalysisWindow(slice(0, shape[0]), slice(0, shape[1]), np.ones(shape, np.float32), shape, None, False)


def windowed_spectrum(image: NDArray[np.floating], window: AnalysisWindow) -> Complex:
    """Return the half-plane transform (H', W'//2+1), complex64, of `image` (H, W) under the window.

    The shading that fits best under the window is removed first.
    """
    spectrum = np.asarray(np.fft.rfft2(_under(window, image), window.size), np.complex64)
    if window.whitened:
        spectrum *= window.restoring
    return spectrum


def windowed_power(frame_dewarped: NDArray[np.floating], window: AnalysisWindow) -> Real:
    """Return |transform|^2 of one frame under the window: (H', W'//2+1), float32, ADU^2.

    Noise is white in it only where the frame was moved by whole pixels; interpolation makes it fall towards the
    highest frequencies.
    """
    meter = PowerMeter(window)
    squares = meter.nothing()
    meter.add(frame_dewarped, 1.0, squares)
    return meter.mean(squares, 1.0)


@dataclass(frozen=True)
class PowerMeter:
    """Measures the mean `windowed_power` of many frames: what is the same for all is done once, to their mean."""

    window: AnalysisWindow

    def nothing(self) -> Real:
        """Return the sum over no frames."""
        return np.zeros(self.window.size, np.float32)

    def add(self, frame_dewarped: NDArray[np.floating], weight: float, squares: NDArray[np.floating]) -> None:
        """Add a frame (H, W) to the weighted sum of the squared packed spectra."""
        part = _under(self.window, frame_dewarped)
        below, right = (whole - own for whole, own in zip(self.window.size, part.shape, strict=True))
        if below or right:
            part = np.pad(part, ((0, below), (0, right)))
        add_squares(part, squares, weight)

    def mean(self, squares: NDArray[np.floating], weight: float) -> Real:
        """Return the weighted mean power (H', W'//2+1), float32, ADU^2, of frames of so much weight together."""
        mean = folded(np.asarray(squares / weight, np.float32))
        return mean * self.window.restoring**2 if self.window.whitened else mean


def _under(window: AnalysisWindow, image: NDArray[np.floating]) -> Real:
    """Return the part of an image under the window (h, w), whitened, without shading."""
    part: Real = np.asarray(image[window.rows, window.columns], np.float32)
    if window.whitened:
        part = np.asarray(cv2.filter2D(part, cv2.CV_32F, _LAPLACIAN, borderType=cv2.BORDER_REPLICATE), np.float32)
    else:
        part = part - part.mean()
    if window.shading is not None:
        part -= window.shading.best_fit(part * window.square)
    part *= window.weight
    return part


def _extent(line: NDArray[np.bool_]) -> slice:
    """Return the slice from the first to the last True."""
    places = np.flatnonzero(line)
    return slice(int(places[0]), int(places[-1]) + 1) if len(places) else slice(0, 0)


def _middle(extent: slice, kind: str) -> slice:
    """Return at most the middle 1024 px of an extent; of a disc no more than fits into it as a square."""
    length = extent.stop - extent.start
    most = min(length, WIDEST_PX) if kind == "surface" else min(int(_INSCRIBED * length), WIDEST_PX)
    start = extent.start + (length - most) // 2
    return slice(start, start + most)


def _hann(length: int) -> Real:
    phase = (np.arange(length) + 0.5) / length
    return np.asarray(np.sin(np.pi * phase) ** 2, np.float32)


def _depth(mask: NDArray[np.bool_]) -> Real:
    """Return the distance from a limb that is eroded by a few pixels, over the greatest one; 0 outside."""
    depth = np.sqrt(squared_depth(np.pad(mask, 1))[1:-1, 1:-1]).astype(np.float32)
    depth = depth - max(1.5, _EROSION_OF_DEPTH * float(depth.max()))
    return np.asarray(np.clip(depth / float(depth.max()), 0.0, 1.0), np.float32)
