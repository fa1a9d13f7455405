"""Pupil, aberrations and point spread functions by Fourier optics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Real = NDArray[np.float32]


@dataclass(frozen=True)
class Pupil:
    """The telescope's entrance sampled for one wavelength and pixel scale.

    The transform of `size` samples of spacing `step_m` has pixels of lambda / (size step_m) radians, so the
    aperture spans size / sampling samples, whatever fraction that is.
    """

    amplitude: Real
    """(M, M), 1 where light enters, else 0."""
    static_phase: Real
    """(M, M) radians: the telescope's own aberrations."""
    y: Real
    """(M, M) row coordinate in units of the aperture's radius."""
    x: Real
    step_m: float
    size: int
    """Pixels of the point spread function's side."""

    @property
    def origin_m(self) -> float:
        """Return the coordinate of the first sample along either axis, the aperture's centre being 0."""
        return -0.5 * (len(self.amplitude) - 1) * self.step_m


def make_pupil(
    aperture_m: float, obstruction_m: float, sampling_px: float, size: int, waves: tuple[float, float, float, float]
) -> Pupil:
    """Return the pupil for `sampling_px` pixels per lambda/D and a point spread function of `size` px.

    `waves` are peak-to-valley defocus, astigmatism, coma and spherical error in waves of this wavelength.
    """
    across = size / sampling_px
    count = int(np.ceil(across)) | 1
    axis = (np.arange(count, dtype=np.float32) - (count - 1) / 2) / np.float32(across / 2.0)
    y, x = np.meshgrid(axis, axis, indexing="ij")
    radius = np.hypot(y, x)
    # Samples are open or shut: grey edges would put too little light at frequency zero and so lift all others.
    open_ = (radius <= 1.0) & (radius >= obstruction_m / aperture_m)
    amplitude = open_.astype(np.float32)
    return Pupil(amplitude, _aberration(y, x, waves), y, x, aperture_m / across, size)


def _aberration(y: Real, x: Real, waves: tuple[float, float, float, float]) -> Real:
    """Return the phase in radians; each term runs over `waves` from its lowest to its highest value."""
    r2 = y**2 + x**2
    defocus, astigmatism, coma, spherical = waves
    total = defocus * r2 + 0.5 * astigmatism * (x**2 - y**2) + 0.5 * coma * (3.0 * r2 - 2.0) * x
    total = total + 4.0 * spherical * (r2**2 - r2)
    return np.asarray(2.0 * np.pi * total, np.float32)


def remove_tilt(phase: Real, pupil: Pupil) -> Real:
    """Return `phase` (n, M, M) less its best-fitting plane over the pupil (the Zernike tilt)."""
    weight = pupil.amplitude / pupil.amplitude.sum()
    basis = np.stack([np.ones_like(pupil.y), pupil.y, pupil.x])
    flat = (basis * weight).reshape(3, -1)
    gram = flat @ basis.reshape(3, -1).T
    coefficients = np.linalg.solve(gram, flat @ phase.reshape(len(phase), -1).T).astype(np.float32)
    return np.asarray(phase - np.tensordot(coefficients.T, basis, 1), np.float32)


def point_spread(phase: Real, pupil: Pupil) -> Real:
    """Return point spread functions (n, size, size) of unit sum for pupil phases (n, M, M) in radians.

    The centre is at index [0, 0] (wrapped); a phase that rises by 2 pi a over `size` samples moves it by +a px.
    """
    wave = pupil.amplitude * np.exp(1j * (phase + pupil.static_phase))
    field = scipy.fft.fft(wave.astype(np.complex64), n=pupil.size, axis=2)
    field = scipy.fft.fft(field, n=pupil.size, axis=1, overwrite_x=True)
    power = field.real**2
    power += field.imag**2
    # Parseval: the sum over all pixels is size^2 times the pupil's power, whatever the phase.
    power /= np.float32(pupil.size**2 * float((pupil.amplitude.astype(float) ** 2).sum()))
    return np.asarray(power, np.float32)


def diffraction_mtf(frequency_of_cutoff: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the modulation transfer of a clear round pupil, 2/pi (acos x - x sqrt(1 - x^2)), x = f / cutoff."""
    x = np.clip(frequency_of_cutoff, 0.0, 1.0)
    return np.asarray(2.0 / np.pi * (np.arccos(x) - x * np.sqrt(1.0 - x**2)))
