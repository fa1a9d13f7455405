"""What the air took away: the transfer of the averaged image relative to that of the telescope alone.

The mean of many short exposures with their motion undone passes A(f) = exp(-3.44 (q f)^(5/3) (1 - f^(1/3))) of the
telescope's transfer (Fried 1966, J. Opt. Soc. Am. 56, 1372), f in units of the cutoff D/lambda and q = D/r0; what
motion is left, sigma pixels along either axis, takes away another exp(-2 pi^2 sigma^2 f^2).

How much that is follows from the frames without knowing the target (spectral ratio, von der Luehe 1984, J. Opt. Soc.
Am. A 1, 510): the power of the mean image over the mean power of the single images. The single images keep speckle,
about 0.435 q^-2 of the telescope's transfer (Korff 1973, J. Opt. Soc. Am. 63, 971), which the mean loses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from stacker.sky.optics import diffraction_transfer

Curve = NDArray[np.float64]

_SPECKLE = 0.435
_LEAST_FRIED, _MOST_FRIED = 0.3, 20.0
_MOST_JITTER_PX = 3.0


@dataclass(frozen=True)
class Air:
    """The blur that the averaged image has beyond that of the telescope."""

    aperture_over_r0: float
    jitter_px: float
    """Motion left undone, rms along either axis."""
    cutoff_cyc_per_px: float

    def transfer(self, frequency_cyc_per_px: Curve) -> Curve:
        """Return A at frequencies in cycles per pixel; held at its last value beyond the cutoff."""
        f = np.minimum(np.asarray(frequency_cyc_per_px, np.float64), self.cutoff_cyc_per_px)
        return air_transfer(f / self.cutoff_cyc_per_px, self.aperture_over_r0) * jitter_transfer(f, self.jitter_px)

    def at_cutoff(self, cutoff_cyc_per_px: float) -> Air:
        """Return the same air seen at another wavelength: r0 goes as lambda^(6/5), the cutoff as 1 / lambda."""
        ratio = cutoff_cyc_per_px / self.cutoff_cyc_per_px
        return Air(self.aperture_over_r0 * ratio**1.2, self.jitter_px, cutoff_cyc_per_px)


def air_transfer(frequency: Curve, aperture_over_r0: float) -> Curve:
    """Return the transfer of the air at `frequency` in units of the cutoff: a halo and a sharp core."""
    core = _core(aperture_over_r0)
    halo = np.exp(-3.44 * (aperture_over_r0 * np.clip(frequency, 0.0, 1.0)) ** (5.0 / 3.0))
    return np.asarray(core + (1.0 - core) * halo)


def _core(aperture_over_r0: float) -> float:
    return min(0.95, 3.0 / aperture_over_r0**2)


def jitter_transfer(frequency_cyc_per_px: Curve, jitter_px: float) -> Curve:
    """Return the transfer of Gaussian motion of `jitter_px` rms along either axis."""
    return np.asarray(np.exp(-2.0 * (np.pi * jitter_px * frequency_cyc_per_px) ** 2))


def speckle_ratio(frequency: Curve, aperture_over_r0: float, obstruction_ratio: float) -> Curve:
    """Return speckle power over the squared mean transfer of the air in single images at `frequency` of the cutoff."""
    telescope = np.maximum(diffraction_transfer(frequency, obstruction_ratio), 1e-3)
    speckle = 0.8 * (1.0 - _core(aperture_over_r0)) ** 3 / aperture_over_r0**2
    return np.asarray(speckle / (air_transfer(frequency, aperture_over_r0) ** 2 * telescope))


@dataclass(frozen=True)
class Evidence:
    """Powers by ring that tell how much the air took."""

    frequency_cyc_per_px: Curve
    count: Curve
    cross: Curve
    """Signal power of the averaged image: cross power of its halves."""
    correlation: Curve
    single: Curve
    """Mean power of single images, noise included."""


def fit_air(evidence: Evidence, cutoff_cyc_per_px: float, obstruction_ratio: float) -> Air | None:
    """Fit D/r0, jitter and the single images' noise to the powers by ring; None where too few rings hold signal."""
    f = evidence.frequency_cyc_per_px / cutoff_cyc_per_px
    signal = (f > 0.05) & (f < 0.95) & (evidence.correlation > 0.3) & (evidence.cross > 0)
    if signal.sum() < 4:
        return None
    used = (f > 0.05) & (f < 1.3) & (evidence.single > 0)
    x, cross, single = f[used], np.where(signal, evidence.cross, 0.0)[used], evidence.single[used]
    shape = interpolated_noise(evidence.frequency_cyc_per_px)[used]
    weight = np.sqrt(evidence.count[used])
    weight = np.minimum(weight, 12.0) * (signal | (f > 1.0))[used]
    pixels = evidence.frequency_cyc_per_px[used]
    floor = float(np.median((single / shape)[x > min(1.0, 0.9 * x.max())]))

    def misfit(p: Curve) -> Curve:
        q, jitter = np.exp(p[0]), p[1]
        inside = np.minimum(x, 0.98)
        ratio = 1.0 + speckle_ratio(inside, q, obstruction_ratio)
        model = cross * ratio / jitter_transfer(pixels, jitter) ** 2 + np.exp(p[2]) * shape
        prior = np.array([0.3 * (p[0] - np.log(4.0)), 1.0 * (jitter - 0.5)])
        return np.concatenate([weight * np.log(model / single), prior])

    low = [np.log(_LEAST_FRIED), 0.0, np.log(floor) - 1.5]
    high = [np.log(_MOST_FRIED), _MOST_JITTER_PX, np.log(floor) + 1.0]
    best = min(
        (
            least_squares(misfit, [np.log(start), 0.5, np.log(floor)], bounds=(low, high), loss="soft_l1", f_scale=2.0)
            for start in (1.5, 4.0, 8.0)
        ),
        key=lambda fit: float(fit.cost),
    )
    return Air(float(np.exp(best.x[0])), float(best.x[1]), cutoff_cyc_per_px)


def interpolated_noise(frequency_cyc_per_px: Curve) -> Curve:
    """Return the power of white noise after cubic interpolation at random sub-pixel places, 1 at zero frequency.

    Keys 1981, IEEE Trans. ASSP 29, 1153, with a = -0.75; mean over directions and over places.
    """
    angle = (np.arange(8) + 0.5) * np.pi / 16.0
    f = np.asarray(frequency_cyc_per_px)[:, None]
    return np.asarray((_line_noise(f * np.cos(angle)) * _line_noise(f * np.sin(angle))).mean(1))


def _line_noise(frequency: Curve) -> Curve:
    place = (np.arange(16) + 0.5) / 16.0
    a = -0.75
    near, far = np.stack([place, 1.0 - place]), np.stack([1.0 + place, 2.0 - place])
    inner = (a + 2.0) * near**3 - (a + 3.0) * near**2 + 1.0
    outer = a * far**3 - 5.0 * a * far**2 + 8.0 * a * far - 4.0 * a
    taps = np.stack([outer[0], inner[0], inner[1], outer[1]])
    phase = np.exp(2j * np.pi * frequency[..., None] * np.arange(4))
    return np.asarray((np.abs(phase @ taps) ** 2).mean(-1))
