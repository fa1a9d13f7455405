"""What a blur of a known kind leaves of an image's detail: motion, defocus, air."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]

_NOTHING = 1.0 / 30.0
_ANGLES = (np.arange(36) + 0.5) * np.pi / 72


def smear_transfer(frequency: Curve, length: float) -> Curve:
    """Return what a uniform smear over `length` leaves at `frequency`, in units that are inverse to each other.

    |sinc(f L cos a)| (Bracewell, The Fourier Transform and its Applications), the geometric mean over the angles a
    between the smear and the detail, since what counts is the logarithm of the signal; lines along the smear stay. A
    thirtieth is as good as nothing.
    """
    reach = np.asarray(frequency, np.float64)[:, None] * length * np.cos(_ANGLES)
    return np.asarray(np.exp(np.log(np.maximum(np.abs(np.sinc(reach)), _NOTHING)).mean(1)))


def air_transfer(frequency: Curve, d_over_r0: float) -> Curve:
    """Return what turbulence leaves of the mean short exposure whose image motion is followed, `frequency` in cutoffs.

    exp(-3.44 (x D/r0)^(5/3) (1 - x^(1/3))), Fried 1966, J. Opt. Soc. Am. 56, 1372.
    """
    x = np.minimum(np.asarray(frequency, np.float64), 1.0)
    return np.asarray(np.exp(-3.44 * (x * max(d_over_r0, 0.0)) ** (5.0 / 3.0) * (1.0 - np.cbrt(x))))


def kept_transfer(frequency: Curve, d_over_r0: float) -> Curve:
    """Return what turbulence leaves of a stack that leans on its sharpest moments, `frequency` in cutoffs.

    c + (1 - c) times the mean short exposure's: a sharp core of strength c = exp(-0.134 (D/r0)^(5/3)), the wavefront's
    variance without tilt (Noll 1976, J. Opt. Soc. Am. 66, 207), over a halo. Stacks of simulated planets had 0.85 and
    0.25 to 0.35 at half the cutoff for D/r0 1.5 and 5, where this gives 0.92 and 0.21 and the mean exposure 0.66 and
    0.05.
    """
    core = np.exp(-0.134 * max(d_over_r0, 0.0) ** (5.0 / 3.0))
    return np.asarray(core + (1.0 - core) * air_transfer(frequency, d_over_r0))


def defocus_transfer(frequency: Curve, waves_pv: float, obstruction_ratio: float = 0.0) -> Curve:
    """Return what a static defocus leaves beside the telescope's own transfer, `frequency` in cutoffs.

    `waves_pv` is the wavefront's error from the middle to the rim of the pupil in wavelengths: 2 pi waves rho^2 of
    phase (Hopkins 1955, Proc. R. Soc. A 231, 91). The modulus: a reversed contrast counts as what it is worth.
    """
    at, ratio = _defocus(round(abs(waves_pv), 3), round(obstruction_ratio, 3))
    return np.asarray(np.interp(frequency, at, ratio))


@lru_cache(maxsize=64)
def _defocus(waves_pv: float, obstruction_ratio: float) -> tuple[Curve, Curve]:
    """Return frequencies in cutoffs and the modulus of a defocused pupil's autocorrelation over the focused one's."""
    size, across = 256, 120
    y, x = np.meshgrid(*(2 * (np.arange(size) - size / 2 + 0.5) / across,) * 2, indexing="ij")
    rho2 = x**2 + y**2
    pupil = ((rho2 <= 1.0) & (rho2 >= obstruction_ratio**2)).astype(float)
    otfs = []
    for waves in (waves_pv, 0.0):
        spread = np.abs(np.fft.fft2(pupil * np.exp(2j * np.pi * waves * rho2))) ** 2
        otf = np.abs(np.fft.ifft2(spread))[0, : across + 1]
        otfs.append(otf / otf[0])
    return np.arange(across + 1) / across, np.minimum(otfs[0] / np.maximum(otfs[1], 1e-4), 1.0)
