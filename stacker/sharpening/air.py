"""What the air took away: the transfer of the averaged image relative to that of the telescope alone.

Two things tell it without knowing the target. Single images keep the speckle that their mean loses, so the power of the
mean image over the mean power of the single images is a known function of D/r0 (spectral ratio, von der Luehe 1984,
J. Opt. Soc. Am. A 1, 510). And what nature draws has power that falls about as a power of spatial frequency (Field
1987, J. Opt. Soc. Am. A 4, 2379, from memory), while the air's transfer bends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.fitting import fit_between
from stacker.sharpening.single_noise import filled_mosaic, interpolated_mosaic_noise, interpolated_noise, softening
from stacker.sharpening.unlike_frames import ALIKE, Frames
from stacker.sky.optics import diffraction_transfer

Curve = NDArray[np.float64]
Flags = NDArray[np.bool_]

_LEAST_FRIED, _MOST_FRIED = 0.3, 12.0
_STARTS = (2.0, 5.0, 8.0)
_FEWEST_RINGS = 4
_LOWEST, _HIGHEST = 0.25, 0.9
"""Below, speckle is lost in what the mean itself has; where too few rings are left, down to a quarter of it."""
_SIGNAL = 0.4
_LEAST_CONTRAST = 0.6
"""The mean's power over the noise of single images where these still tell of speckle."""
_BEYOND = 1.04
# The constants below settled on 90 simulated captures (scripts/experiment_sharpening.py).
_JITTER = 0.07
"""Motion left undone, rms along either axis, in units of 1 / cutoff."""
_SPECKLE_LEFT, _SPECKLE_DOUBT = 0.47, 0.2
"""Speckle left in the kept frames, in units of what instantaneous, isoplanatic frames have, and the doubt of its
logarithm. Choice, alignment to the detail itself, blending of patches and finite exposure take the rest. Near the
cutoff, where the mean suffers most from fields that miss, it seems twice as much."""
_FILLING_SEEN = 0.3
"""Power of a mosaic's filling that single images lose beyond what resampling takes from the stack."""
_SPECKLE_ERROR, _POWER_ERROR = 0.25, 0.08
_LIKELY_FRIED = (5.0, 0.3)
"""What is expected before the powers are looked at, as (centre, weight = 1 / sigma)."""
_MOSAIC_DOUBT = 0.5
_LIKELY_SLOPE, _SLOPE_DOUBT = -2.8, 0.3
_LAW_FROM, _LAW_ERROR = 0.15, 0.3
"""Power of invented planets and surfaces scatters by this (natural logarithm) about a power law, ring by ring."""


@dataclass(frozen=True)
class Air:
    """The blur that the averaged image has beyond that of the telescope."""

    aperture_over_r0: float
    """Of a frame of mean contrast."""
    cutoff_cyc_per_px: float
    frames: Frames = ALIKE

    def transfer(self, frequency_cyc_per_px: Curve) -> Curve:
        """Return A at frequencies in cycles per pixel; held at its last value beyond the cutoff."""
        f = np.minimum(np.asarray(frequency_cyc_per_px, np.float64) / self.cutoff_cyc_per_px, 1.0)
        return self.frames.tables(f).mean(self.aperture_over_r0) * jitter_transfer(f, _JITTER)

    def at_cutoff(self, cutoff_cyc_per_px: float) -> Air:
        """Return the same air seen at another wavelength: r0 goes as lambda^(6/5), the cutoff as 1 / lambda."""
        ratio = cutoff_cyc_per_px / self.cutoff_cyc_per_px
        return Air(self.aperture_over_r0 * ratio**1.2, cutoff_cyc_per_px, self.frames)


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
    frames: Frames = ALIKE
    """How the single images differ."""
    zoom: float = 1.0
    """How many of the stack's pixels stand along a side of the camera's; frequencies are in the camera's."""
    kernel: str = "cubic"
    """Of the interpolation that brought the frames onto the stack's pixels."""

    def noise(self, frequency_cyc_per_px: Curve) -> Curve:
        """Return the shape of the single images' noise."""
        return interpolated_noise(frequency_cyc_per_px, self.zoom, self.kernel)


def jitter_transfer(frequency_cyc_per_px: Curve, jitter_px: float) -> Curve:
    """Return the transfer of Gaussian motion of `jitter_px` rms along either axis."""
    return np.asarray(np.exp(-2.0 * (np.pi * jitter_px * frequency_cyc_per_px) ** 2))


def fit_air(evidence: Evidence, cutoff_cyc_per_px: float, obstruction_ratio: float) -> Air | None:
    """Fit D/r0 to the powers by ring; None where too few rings hold signal."""
    f = evidence.frequency_cyc_per_px / cutoff_cyc_per_px
    beyond = (f > _BEYOND) & (evidence.single > 0)
    signal = _telling(evidence, f)
    if signal.sum() < _FEWEST_RINGS:
        return None
    best, _ = min(_fits(evidence, f, signal, beyond, obstruction_ratio), key=lambda fit: fit[1])
    return Air(float(np.exp(best[0])), cutoff_cyc_per_px, evidence.frames)


def _telling(evidence: Evidence, f: Curve) -> Flags:
    """Return the rings that tell of the air: from the lowest to where single images show nothing but noise."""
    seen = (f < _HIGHEST) & (evidence.correlation > _SIGNAL) & (evidence.single > 0)
    outer = evidence.single > 0
    noise = np.exp(_floor(evidence, outer)) * evidence.noise(evidence.frequency_cyc_per_px)
    weak = np.flatnonzero((evidence.cross < _LEAST_CONTRAST * noise) & (f > 0.5 * _LOWEST))
    last = weak[0] if len(weak) else len(f)
    for lowest, end in ((_LOWEST, last), (_LOWEST, len(f)), (0.25 * _LOWEST, len(f))):
        signal = seen & (f > lowest) & (np.arange(len(f)) < end)
        if signal.sum() >= _FEWEST_RINGS:
            break
    return np.asarray(signal)


def _floor(evidence: Evidence, used: Flags) -> float:
    """Return ln of the single images' noise at zero frequency, from the outermost sixth of the rings."""
    outermost = np.flatnonzero(used)[-max(3, int(used.sum()) // 6) :]
    noise = evidence.noise(evidence.frequency_cyc_per_px[outermost])
    return float(np.log((evidence.single[outermost] / noise).mean()))


def _fits(
    evidence: Evidence, f: Curve, signal: Flags, beyond: Flags, obstruction_ratio: float
) -> Iterator[tuple[Curve, float]]:
    """Yield the parameters and the cost of the fit from each start.

    They are ln D/r0, ln noise, the mosaic's share in the noise's shape, ln of the speckle left, and the target's power
    law: ln of its power at 0.3 of the cutoff and its slope.
    """
    used = signal | beyond
    x, pixels = f[used], evidence.frequency_cyc_per_px[used]
    cross, single = np.where(signal, evidence.cross, 0.0)[used], evidence.single[used]
    telescope = np.maximum(diffraction_transfer(x, obstruction_ratio), 1e-3)
    plain = np.log(evidence.noise(pixels))
    mosaic = np.log(interpolated_mosaic_noise(pixels, evidence.zoom, evidence.kernel))
    filling = _FILLING_SEEN * np.log(filled_mosaic(pixels))
    soft = softening(pixels, evidence.kernel) ** 2
    still = jitter_transfer(x, _JITTER) ** 2 * soft
    floor = _floor(evidence, used)
    weight = 1.0 / _scatter(evidence, signal, np.exp(floor + plain), used)
    lawful = signal[used] & (x > _LAW_FROM)
    law_weight = 1.0 / np.hypot(_LAW_ERROR, 1.0 / np.sqrt(evidence.count * evidence.correlation**2)[used][lawful])
    tables = evidence.frames.tables(x, telescope)

    def target(q: float) -> Curve:
        return np.asarray(cross / ((tables.mean(q) * telescope) ** 2 * still))

    def misfit(p: Curve) -> Curve:
        q = float(np.exp(p[0]))
        speckle = np.exp(p[3]) * (1.0 + x) * tables.speckle(q)
        drawn = target(q)
        seen = drawn * soft * (tables.mean_square(q) * telescope**2 + speckle)
        model = seen * np.exp(p[2] * filling) + np.exp(p[1] + plain + p[2] * (mosaic - plain))
        law = np.log(np.maximum(drawn[lawful], 1e-30)) - p[4] - p[5] * np.log(x[lawful] / 0.3)
        likely = np.array([(p[0] - np.log(_LIKELY_FRIED[0])) * _LIKELY_FRIED[1], p[2] * _MOSAIC_DOUBT,
                           (p[3] - np.log(_SPECKLE_LEFT)) / _SPECKLE_DOUBT,
                           (p[5] - _LIKELY_SLOPE) / _SLOPE_DOUBT])  # fmt: skip
        return np.concatenate([weight * np.log(model / single), law_weight * law, likely])

    for start in _STARTS:
        level = float(np.log(np.interp(0.3, x[signal[used]], np.maximum(target(start)[signal[used]], 1e-30))))
        first = np.array([np.log(start), floor, 0.1, np.log(_SPECKLE_LEFT), level, _LIKELY_SLOPE])
        low = np.array([np.log(_LEAST_FRIED), floor - 3.0, 0.0, -3.0, level - 40.0, -8.0])
        high = np.array([np.log(_MOST_FRIED), floor + 3.0, 1.0, 2.0, level + 40.0, 2.0])
        yield fit_between(misfit, first, low, high)


def _scatter(evidence: Evidence, signal: Flags, noise: Curve, used: Flags) -> Curve:
    """Return the expected misfit of ln power in each used ring: finite modes, and speckle that selection changed."""
    single, count = evidence.single[used], np.maximum(evidence.count[used], 1.0)
    correlation = np.clip(evidence.correlation[used], 0.05, 1.0)
    cross = np.where(signal, evidence.cross, 0.0)[used]
    speckle = np.maximum(single - noise - cross, 0.0)
    finite = (cross / single) ** 2 * (1.0 / correlation**2 - 1.0) / count + 0.5 * (noise / single) ** 2 / count
    return np.asarray(np.sqrt(finite + (_SPECKLE_ERROR * speckle / single) ** 2 + _POWER_ERROR**2))
