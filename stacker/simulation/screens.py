"""Von Karman phase screens: a periodic sheet for the small scales, plane waves for the large ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

Real = NDArray[np.float32]

_STEEP_CELLS = 4
_CELL_PARTS = 9

PSD_CONSTANT = 0.02290
"""Kolmogorov phase spectrum 0.0229 r0^(-5/3) f^(-11/3), f in cycles per metre (Noll 1976, JOSA 66, 207: 0.023)."""


@dataclass(frozen=True)
class PhaseScreen:
    """Phase in radians over an endless plane, for a Fried parameter of 1 m."""

    sheet: Real
    """(N, N), periodic."""
    spacing_m: float
    wave_cycles_per_m: NDArray[np.float64]
    """(K, 2) wave vectors (y, x) longer than the sheet."""
    wave_amplitude_rad: NDArray[np.float64]
    wave_phase_rad: NDArray[np.float64]

    def waves_at(self, y_m: NDArray[np.float64], x_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the phase in radians of the long waves at points of any shape."""
        angle = self._angle(y_m, x_m)
        return np.asarray(np.cos(angle) @ self.wave_amplitude_rad)

    def wave_slope(self, y_m: NDArray[np.float64], x_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the gradient (..., 2) (y, x) in rad per metre of the long waves."""
        wave_number = 2.0 * np.pi * self.wave_cycles_per_m * self.wave_amplitude_rad[:, None]
        return np.asarray(-np.sin(self._angle(y_m, x_m)) @ wave_number)

    def window(self, corner_m: NDArray[np.float64], step_m: float, size: int) -> Real:
        """Return the sheet's phase (size, size) on a square grid that starts at a point, by cubic interpolation."""
        n = len(self.sheet)
        scale = step_m / self.spacing_m
        top, left = (corner_m / self.spacing_m) % n
        matrix = np.array([[scale, 0.0, left], [0.0, scale, top]], np.float64)
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        return np.asarray(
            cv2.warpAffine(self.sheet, matrix, (size, size), flags=flags, borderMode=cv2.BORDER_WRAP), np.float32
        )

    def _angle(self, y_m: NDArray[np.float64], x_m: NDArray[np.float64]) -> NDArray[np.float64]:
        points = np.stack([y_m, x_m], axis=-1)
        return np.asarray(2.0 * np.pi * (points @ self.wave_cycles_per_m.T) + self.wave_phase_rad)


def von_karman_spectrum(frequency_cycles_per_m: NDArray[Any], outer_scale_m: float) -> NDArray[Any]:
    """Return the phase power spectrum in rad^2 m^2 for a Fried parameter of 1 m."""
    return np.asarray(PSD_CONSTANT * (frequency_cycles_per_m**2 + outer_scale_m**-2) ** (-11.0 / 6.0))


def draw_screen(
    rng: np.random.Generator, size: int, spacing_m: float, outer_scale_m: float, octaves: int = 4
) -> tuple[PhaseScreen, NDArray[np.complex64]]:
    """Draw a screen of `size` x `size` samples and return it with the half-plane transform of its sheet.

    White noise is filtered by the root of the von Karman spectrum. The cell of frequencies below one cycle per
    sheet is split into thirds `octaves` times, each part a plane wave (Lane, Glindemann & Dainty 1992, Waves in
    Random Media 2, 209): evaluated where needed, they do not repeat with the sheet.
    """
    fy = np.fft.fftfreq(size, spacing_m).astype(np.float32)[:, None]
    fx = np.fft.rfftfreq(size, spacing_m).astype(np.float32)[None, :]
    root = np.sqrt(von_karman_spectrum(np.hypot(fy, fx), outer_scale_m)).astype(np.float32) / np.float32(spacing_m)
    for row in range(-_STEEP_CELLS, _STEEP_CELLS + 1):
        for column in range(_STEEP_CELLS + 1):
            vector = np.array([[row, column]]) / (size * spacing_m)
            root[row, column] *= np.sqrt(_steepness(vector, 1.0 / (size * spacing_m), outer_scale_m)[0])
    root[0, 0] = 0.0
    spectrum = scipy.fft.rfft2(rng.standard_normal((size, size), dtype=np.float32))
    spectrum *= root
    sheet = scipy.fft.irfft2(spectrum, s=(size, size))
    vectors, amplitudes, phases = _draw_long_waves(rng, size * spacing_m, outer_scale_m, octaves)
    return PhaseScreen(sheet, spacing_m, vectors, amplitudes, phases), spectrum


def _draw_long_waves(
    rng: np.random.Generator, period_m: float, outer_scale_m: float, octaves: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    half_plane = np.array([[0, 1], [1, -1], [1, 0], [1, 1]], float)
    steps = 1.0 / (period_m * 3.0 ** np.arange(1, octaves + 1))
    vectors = np.concatenate([half_plane * step for step in steps]) if octaves else np.zeros((0, 2))
    cell = np.repeat(steps, 4) ** 2
    power = von_karman_spectrum(np.hypot(vectors[:, 0], vectors[:, 1]), outer_scale_m) * cell
    for octave, step in enumerate(steps):
        own = slice(4 * octave, 4 * octave + 4)
        power[own] *= _steepness(vectors[own], step, outer_scale_m)
    # A wave stands for itself and its mirror image: variance 2 P in each quadrature.
    quadratures = rng.standard_normal((2, len(vectors))) * np.sqrt(2.0 * power)
    return vectors, np.hypot(*quadratures), np.arctan2(quadratures[1], quadratures[0])


def _steepness(vector: NDArray[np.float64], step: float, outer_scale_m: float) -> NDArray[np.float64]:
    """Return how much more slope a square cell of frequencies holds than its centre says.

    Near zero the spectrum falls steeply across a cell. The mean of f^2 times the spectrum is kept, because
    a wave much longer than the telescope acts by its slope alone.
    """
    inner = (np.arange(_CELL_PARTS) + 0.5) / _CELL_PARTS - 0.5
    offset = np.stack(np.meshgrid(inner, inner, indexing="ij"), -1).reshape(-1, 2) * step
    frequency = np.linalg.norm(vector[:, None, :] + offset, axis=2)
    centre = np.maximum(np.linalg.norm(vector, axis=1), 1e-30)
    slope = (frequency**2 * von_karman_spectrum(frequency, outer_scale_m)).mean(1)
    return np.asarray(slope / (centre**2 * von_karman_spectrum(centre, outer_scale_m)))
