"""What the air took away: the transfer of the averaged image relative to that of the telescope alone.

How much that is follows from the frames without knowing the target (spectral ratio, von der Luehe 1984, J. Opt. Soc.
Am. A 1, 510): single images keep the speckle that their mean loses, so the power of the mean image over the mean power
of the single images is a known function of D/r0, of motion left undone and of the single images' noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.fitting import fit_between
from stacker.sharpening.single_noise import interpolated_mosaic_noise, interpolated_noise
from stacker.sharpening.turbulence import air_transfer, speckle_power
from stacker.sky.optics import diffraction_transfer

Curve = NDArray[np.float64]

_LEAST_FRIED, _MOST_FRIED = 0.3, 12.0
_MOST_JITTER = 0.33
_STARTS = (1.5, 4.0, 8.0)
_FEWEST_RINGS = 4
_LOWEST, _HIGHEST = 0.05, 0.9
_SIGNAL = 0.25
_BEYOND = 1.04
_SPECKLE_ERROR = 0.65
_POWER_ERROR = 0.02
# Speckle left in the kept frames, in units of what instantaneous, isoplanatic, unchosen frames have. Choosing the best
# 40 % of simulated screens leaves 0.6 to 0.75; alignment to the detail itself, blending of isoplanatic patches and
# finite exposure take more. 0.38 settled on simulated captures (scripts/experiment_sharpening.py).
_SPECKLE_LEFT = 0.38
# What is expected before the powers are looked at, as (centre, weight = 1 / sigma).
_LIKELY_FRIED = (5.0, 0.2)
_LIKELY_JITTER = (0.05, 20.0)
_MOSAIC_DOUBT = 0.5


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


@dataclass(frozen=True)
class Evidence:
    """Powers by ring that tell how much the air took."""

    frequency_cyc_per_px: Curve
    count: Curve
    """Independent modes of each ring."""
    cross: Curve
    """Signal power of the averaged image: cross power of its halves."""
    correlation: Curve
    """Ring correlation of the halves."""
    single: Curve
    """Mean power of single images, noise included."""


def jitter_transfer(frequency_cyc_per_px: Curve, jitter_px: float) -> Curve:
    """Return the transfer of Gaussian motion of `jitter_px` rms along either axis."""
    return np.asarray(np.exp(-2.0 * (np.pi * jitter_px * frequency_cyc_per_px) ** 2))


def fit_air(evidence: Evidence, cutoff_cyc_per_px: float, obstruction_ratio: float) -> Air | None:
    """Fit D/r0, jitter and the single images' noise to the powers by ring; None where too few rings hold signal."""
    f = evidence.frequency_cyc_per_px / cutoff_cyc_per_px
    signal = (f > _LOWEST) & (f < _HIGHEST) & (evidence.correlation > _SIGNAL) & (evidence.single > 0)
    if signal.sum() < _FEWEST_RINGS:
        return None
    fits = [_fit(evidence, cutoff_cyc_per_px, signal, start, obstruction_ratio) for start in _STARTS]
    best, _ = min(fits, key=lambda fit: fit[1])
    return Air(float(np.exp(best[0])), float(best[1]), cutoff_cyc_per_px)


def _fit(
    evidence: Evidence, cutoff: float, signal: NDArray[np.bool_], start: float, obstruction_ratio: float
) -> tuple[Curve, float]:
    """Return ln D/r0, jitter in px, ln noise and the mosaic's share in the noise's shape, and the cost of the fit."""
    f = evidence.frequency_cyc_per_px / cutoff
    used = signal | ((f > _BEYOND) & (evidence.single > 0))
    x, pixels = f[used], evidence.frequency_cyc_per_px[used]
    cross, single = np.where(signal, evidence.cross, 0.0)[used], evidence.single[used]
    telescope = np.maximum(diffraction_transfer(x, obstruction_ratio), 1e-3)
    plain, mosaic = np.log(interpolated_noise(pixels)), np.log(interpolated_mosaic_noise(pixels))
    floor = float(np.log(single[-max(3, len(single) // 6) :].mean())) - float(plain[-1])
    weight = 1.0 / _scatter(evidence, signal, np.exp(floor + plain), used)

    def misfit(p: Curve) -> Curve:
        mean = (air_transfer(x, np.exp(p[0])) * telescope) ** 2
        speckle = _SPECKLE_LEFT * speckle_power(x, np.exp(p[0]), telescope)
        target = cross / (mean * jitter_transfer(pixels, p[1]) ** 2)
        model = target * (mean + speckle) + np.exp(p[2] + plain + p[3] * (mosaic - plain))
        likely = np.array([(p[0] - np.log(_LIKELY_FRIED[0])) * _LIKELY_FRIED[1],
                           (p[1] * cutoff - _LIKELY_JITTER[0]) * _LIKELY_JITTER[1],
                           p[3] * _MOSAIC_DOUBT])  # fmt: skip
        return np.concatenate([weight * np.log(model / single), likely])

    first = np.array([np.log(start), 0.1 / cutoff, floor, 0.1])
    low = np.array([np.log(_LEAST_FRIED), 0.0, floor - 3.0, 0.0])
    high = np.array([np.log(_MOST_FRIED), _MOST_JITTER / cutoff, floor + 3.0, 1.0])
    return fit_between(misfit, first, low, high)


def _scatter(evidence: Evidence, signal: NDArray[np.bool_], noise: Curve, used: NDArray[np.bool_]) -> Curve:
    """Return the expected misfit of ln power in each used ring: finite modes, and speckle that selection changed."""
    single, count = evidence.single[used], np.maximum(evidence.count[used], 1.0)
    correlation = np.clip(evidence.correlation[used], 0.05, 1.0)
    cross = np.where(signal, evidence.cross, 0.0)[used]
    speckle = np.maximum(single - noise - cross, 0.0)
    finite = (cross / single) ** 2 * (1.0 / correlation**2 - 1.0) / count + 0.5 * (noise / single) ** 2 / count
    return np.asarray(np.sqrt(finite + (_SPECKLE_ERROR * speckle / single) ** 2 + _POWER_ERROR**2))
