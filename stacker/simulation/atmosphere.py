"""Frozen-flow layers over a telescope: pupil phase and image displacement for any direction and instant."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stacker.simulation.optics import Pupil
from stacker.simulation.scenario import Air, Layer
from stacker.simulation.screens import PhaseScreen, draw_screen

Real = NDArray[np.float32]

_SCREEN_SAMPLES = 2048
_TILT_DECIMATION = 4


@dataclass(frozen=True)
class Sheet:
    """One layer drawn: its screen, the tilt that an aperture sees anywhere under it, and how it moves."""

    screen: PhaseScreen
    tilt: Real
    """(N/4, N/4, 2) slope (y, x) in rad per metre, averaged as the aperture does."""
    height_m: float
    velocity_m_per_s: tuple[float, float]
    origin_m: tuple[float, float]
    amplitude: float

    def centre_m(self, direction_rad: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return where (n, 2) the beams of directions (n, 2) pierce the screen."""
        moved = np.array(self.origin_m) - np.array(self.velocity_m_per_s) * time_s
        return np.asarray(moved + direction_rad * self.height_m)


class Atmosphere:
    """All layers, for a seeing of D/r0 = 1; phases and tilts grow as (D/r0)^(5/6).

    Directions are (y, x) field angles in radians; a positive tilt moves the image down and right.
    """

    def __init__(
        self, rng: np.random.Generator, air: Air, aperture_m: float, obstruction_m: float, spacing_m: float
    ) -> None:
        """Draw the layers with samples `spacing_m` apart."""
        kernel = _tilt_kernels(aperture_m, obstruction_m, spacing_m)
        total = sum(layer.share for layer in air.layers)
        self.sheets = [
            _draw_sheet(rng, layer, layer.share / total, air.outer_scale_m, aperture_m, spacing_m, kernel)
            for layer in air.layers
        ]

    def phase(self, direction_rad: NDArray[np.float64], time_s: float, pupil: Pupil) -> Real:
        """Return the pupil phase (n, M, M) in radians seen in directions (n, 2), long waves left out (pure tilt)."""
        count = len(pupil.amplitude)
        total = np.zeros((len(direction_rad), count, count), np.float32)
        for sheet in self.sheets:
            corners = sheet.centre_m(direction_rad, time_s) + pupil.origin_m
            if sheet.height_m == 0.0:
                total += sheet.amplitude * sheet.screen.window(corners[0], pupil.step_m, count)
                continue
            for index, corner in enumerate(corners):
                total[index] += sheet.amplitude * sheet.screen.window(corner, pupil.step_m, count)
        return total

    def slope(self, direction_rad: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return the mean phase slope (n, 2) in rad per metre over the aperture in directions (n, 2)."""
        total = np.zeros((len(direction_rad), 2))
        for sheet in self.sheets:
            centre = sheet.centre_m(direction_rad, time_s)
            side = len(sheet.tilt)
            cells = (centre / (sheet.screen.spacing_m * _TILT_DECIMATION) % side).astype(np.float32)
            sampled = cv2.remap(
                sheet.tilt, cells[None, :, 1], cells[None, :, 0], cv2.INTER_CUBIC, borderMode=cv2.BORDER_WRAP
            )
            waves = sheet.screen.wave_slope(centre[:, 0], centre[:, 1])
            total += sheet.amplitude * (sampled[0].astype(np.float64) + waves)
        return total


def _draw_sheet(
    rng: np.random.Generator,
    layer: Layer,
    share: float,
    outer_scale_m: float,
    aperture_m: float,
    spacing_m: float,
    kernels: tuple[NDArray[np.complex64], NDArray[np.complex64]],
) -> Sheet:
    screen, spectrum = draw_screen(rng, _SCREEN_SAMPLES, spacing_m, outer_scale_m)
    tilt = np.stack([_decimated(spectrum * kernel) for kernel in kernels], axis=-1)
    angle = np.deg2rad(layer.wind_angle_deg)
    velocity = (layer.wind_m_per_s * float(np.sin(angle)), layer.wind_m_per_s * float(np.cos(angle)))
    origin_y_m, origin_x_m = (rng.random(2) * _SCREEN_SAMPLES * spacing_m).tolist()
    amplitude = float(np.sqrt(share) * aperture_m ** (-5.0 / 6.0))
    return Sheet(screen, tilt, layer.height_m, velocity, (origin_y_m, origin_x_m), amplitude)


def _tilt_kernels(
    aperture_m: float, obstruction_m: float, spacing_m: float
) -> tuple[NDArray[np.complex64], NDArray[np.complex64]]:
    """Return transfer functions screen -> least-squares slope over the aperture (Zernike tilt)."""
    n = _SCREEN_SAMPLES
    axis = (np.fft.fftfreq(n) * n * spacing_m).astype(np.float32)
    reach = int(np.ceil(aperture_m / spacing_m / 2)) + 2
    near = np.r_[0 : reach + 1, n - reach : n]
    y, x = np.meshgrid(axis[near], axis[near], indexing="ij")
    radius = np.hypot(y, x)
    # A linear ramp one sample wide stands for the share of a sample inside the edge.
    inside = np.clip((aperture_m / 2 - radius) / spacing_m + 0.5, 0, 1)
    inside *= np.clip((radius - obstruction_m / 2) / spacing_m + 0.5, 0, 1) if obstruction_m > 0 else 1.0
    kernels = []
    for coordinate in (y, x):
        kernel = np.zeros((n, n), np.float32)
        kernel[np.ix_(near, near)] = inside * coordinate / (inside * coordinate**2).sum()
        kernels.append(np.conj(scipy.fft.rfft2(kernel)))
    return kernels[0], kernels[1]


def _decimated(spectrum: NDArray[np.complex64]) -> Real:
    """Return the real picture of a half-plane spectrum, every fourth sample (what lies above is negligible)."""
    n = len(spectrum)
    small = n // _TILT_DECIMATION
    half = small // 2
    kept = np.concatenate([spectrum[:half, : half + 1], spectrum[n - half :, : half + 1]])
    kept[half] = 0.0
    kept[:, half] = 0.0
    return np.asarray(scipy.fft.irfft2(kept, s=(small, small)) / _TILT_DECIMATION**2, np.float32)
