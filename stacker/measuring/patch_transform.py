"""Spectra of square patches of a frame, at the frequencies that a telescope passes, and their noise beyond."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.patch_places import hann
from stacker.measuring.recentring import Modes, Spectra

Real = NDArray[np.float32]

_SEEN_UP_TO = 0.8
_BEYOND = 1.08
_FEWEST_BEYOND = 24
_ENOUGH, _FEWEST_FRAMES = 4_000, 16
"""Independent modes that tell the noise's power to 1.6 %, and the fewest frames."""
_LAPLACIAN = np.array([[1, 4, 1], [4, -20, 4], [1, 4, 1]], np.float32) / 6.0


class PatchTransform:
    """The half-plane transform of patches' Laplacians under a soft window.

    The steep spectrum of a scene would leak through the window from low frequencies to high ones; that of the
    Laplacian is nearly flat. A telescope passes few of a patch's frequencies: two matrix products find them in a third
    of the time of a whole transform.
    """

    def __init__(self, size_px: int, cutoff_cyc_per_px: float, mosaic: str | None) -> None:
        """Prepare for patches of `size_px` behind a telescope that passes up to `cutoff_cyc_per_px`."""
        row, column = np.meshgrid(np.fft.fftfreq(size_px), np.fft.rfftfreq(size_px), indexing="ij")
        frequency = np.hypot(row, column) / cutoff_cyc_per_px
        # In the first and last column each mode stands twice.
        once = (column > 0) & (column < 0.5) | (row > 0)
        wanted, beyond = (frequency < _SEEN_UP_TO) & (frequency > 0) & once, (frequency > _BEYOND) & once
        shape = noise_shape(size_px, mosaic)
        self.size_px = size_px
        self.window = np.outer(hann(size_px), hann(size_px))
        self.modes = Modes(row[wanted].astype(np.float32), column[wanted].astype(np.float32), cutoff_cyc_per_px)
        self.noise_shape = shape[wanted]
        """(K,) power of noise in each mode, over that of white noise before the Laplacian."""
        self._beyond, self._noise_beyond = np.flatnonzero(beyond), float(shape[beyond].sum())
        rows, columns = np.flatnonzero(wanted.any(1)), np.flatnonzero(wanted.any(0))
        self._at = np.flatnonzero(wanted[np.ix_(rows, columns)])
        self._down = _waves(rows, size_px)
        self._across = np.ascontiguousarray(_waves(columns, size_px).T).view(np.float32)

    def windowed(self, plane: Real, corners_px: NDArray[np.intp]) -> Real:
        """Return the Laplacian (P, size, size) of patches of a plane (H, W) that lie a pixel within it."""
        size = self.size_px
        parts = np.empty((len(corners_px), size, size), np.float32)
        for part, (y, x) in zip(parts, corners_px.tolist(), strict=True):
            edges = cv2.filter2D(plane[y - 1 : y + size + 1, x - 1 : x + size + 1], cv2.CV_32F, _LAPLACIAN)
            np.multiply(edges[1:-1, 1:-1], self.window, out=part)
        return parts

    def spectra(self, parts: Real) -> Spectra:
        """Return the transforms (P, K) of windowed patches at `modes`."""
        across = (parts.reshape(-1, self.size_px) @ self._across).view(np.complex64)
        both = self._down @ across.reshape(len(parts), self.size_px, -1)
        return np.asarray(both.reshape(len(parts), -1).take(self._at, 1), np.complex64)

    def frames_of_noise(self, frames: int) -> range:
        """Return which of so many frames tell the power of noise; none where hardly a mode shows noise alone."""
        modes = len(self._beyond)
        if modes < _FEWEST_BEYOND:
            return range(0)
        return range(0, frames, max(1, frames // max(-(-_ENOUGH // modes), _FEWEST_FRAMES)))

    def noise_power(self, parts: Real) -> NDArray[np.float64]:
        """Return the power (P,) of white noise in windowed patches, from the frequencies that no telescope passes."""
        faint = np.fft.rfft2(parts).reshape(len(parts), -1).take(self._beyond, 1)
        return np.asarray((faint.real**2 + faint.imag**2).sum(1, dtype=np.float64) / self._noise_beyond)


def noise_shape(size_px: int, mosaic: str | None) -> NDArray[np.float64]:
    """Return the power of white sensor noise in each mode: the Laplacian raises it, a mosaic's luminance smooths."""
    row, column = np.meshgrid(np.fft.fftfreq(size_px), np.fft.rfftfreq(size_px), indexing="ij")
    down, right = np.cos(2.0 * np.pi * row), np.cos(2.0 * np.pi * column)
    power = ((20.0 - 8.0 * (down + right) - 4.0 * down * right) / 6.0) ** 2
    if mosaic is not None:
        power = power * (np.cos(np.pi * row) * np.cos(np.pi * column)) ** 4
    return np.asarray(power)


def _waves(number: NDArray[np.intp], size_px: int) -> Spectra:
    """Return exp(-2 pi i k x / size) for wave numbers k (N,) at all pixels x, (N, size)."""
    turns = np.outer(number, np.arange(size_px)) / size_px
    return np.asarray(np.exp(-2j * np.pi * turns), np.complex64)
