"""How much a capture holds when only its best part is kept: information against the share of the frames.

More frames mean less noise, worse frames less detail. What counts in the end is how much the stack says about the
target, Shannon's information of two independent halves: sum over rings of n/2 log2(1 + SSNR), which with the spectral
signal-to-noise ratio SSNR = 2c / (1 - c) of both halves together is the sum of n artanh(c) / ln 2 over the rings'
correlations c. artanh(c) of n modes scatters by 1 / sqrt(n) whatever c is (Fisher 1921, Metron 1, 3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.noise import level, stack_noise
from stacker.measuring.resolution import Resolution, Rings, measure_resolution
from stacker.measuring.spectra import AnalysisWindow

Real = NDArray[np.float32]

PERCENTS = (2, 3, 4, 5, 7, 10, 12, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 100)
"""The steps of the curve: close where few frames more change much."""
_MOST_CERTAIN = 1.0 - 1e-6
_RELATIVE_SNR_ERROR = 1.16
"""Relative error of a noise from the median absolute deviation of n numbers, times sqrt(n)."""
_GEOMETRY = 0.02
"""Shares of one capture differ by so much of their information by the geometry of the frames in them, where the truth
sees no difference (experiment_keep.py)."""
_PIXELS_ALIKE = 4.0
"""Neighbours share noise after interpolation: so many pixels count as one."""


@dataclass(frozen=True)
class Sounding:
    """The stack of the best part of the frames, measured."""

    keep_percent: float
    frames: int
    effective_frames: float
    """(sum of weights)^2 / sum of squared weights."""
    resolution: Resolution
    snr: float | None
    snr_error: float | None


@dataclass(frozen=True)
class KeepStep:
    """One point of the curve; what could not be measured is None."""

    keep_percent: float
    frames: int
    resolution_px: float | None
    resolution_px_error: float | None
    snr: float | None
    snr_error: float | None
    information_bits: float | None
    information_bits_error: float | None


@dataclass(frozen=True)
class KeepCurve:
    """What each share of the frames holds, and which is best."""

    best_percent: float | None
    """The largest share that holds as much as the best does, within the error of their difference."""
    good_range_percent: tuple[float, float] | None
    """The shares up to the best that hold as much within that error."""
    steps: tuple[KeepStep, ...]
    note: str = ""
    """Why there is no best share, or what makes the figures doubtful."""

    def record(self) -> dict[str, Any]:
        """Return plain values and lists for JSON."""
        return {
            "best_percent": self.best_percent,
            "good_range_percent": None if self.good_range_percent is None else list(self.good_range_percent),
            "steps": [asdict(step) for step in self.steps],
            "note": self.note,
        }


def sound(
    keep_percent: float,
    frames: int,
    effective_frames: float,
    halves: tuple[Real, Real],
    window: AnalysisWindow,
    mask: NDArray[np.bool_],
    kind: str,
    cutoff_cyc_per_px: float | None = None,
) -> Sounding:
    """Measure one step from its two independent half-stacks (H, W), of the pixels that `mask` (H, W) belongs to."""
    a, b = halves
    noise = stack_noise(a, b, mask)
    signal = level(np.asarray(0.5 * (a + b), np.float32), mask, kind)
    snr = signal / noise if noise > 0 and signal > 0 else None
    error = None if snr is None else snr * _RELATIVE_SNR_ERROR / np.sqrt(max(mask.sum() / _PIXELS_ALIKE, 1.0))
    resolution = measure_resolution(a, b, window, cutoff_cyc_per_px)
    return Sounding(keep_percent, frames, effective_frames, resolution, snr, None if error is None else float(error))


def curve_of(soundings: Sequence[Sounding]) -> KeepCurve:
    """Return the curve of soundings in the order of their keep percentages, and the best of them.

    Information is counted up to the finest detail that any step resolves, the same for all.
    """
    bands = [1.0 / s.resolution.half_bit_px for s in soundings if s.resolution.half_bit_px]
    if not bands:
        note = soundings[-1].resolution.note if soundings else "too few frames for two halves"
        return KeepCurve(None, None, tuple(_step(s, None, None) for s in soundings), note)
    band = max(bands)
    bits = np.array([information_bits(s.resolution.rings, band) for s in soundings])
    error = information_error(soundings[-1].resolution.rings, band)
    steps = tuple(_step(s, float(value), error) for s, value in zip(soundings, bits, strict=True))
    good = _as_good(bits, error, np.array([s.effective_frames for s in soundings]))
    lowest, best = (float(soundings[place].keep_percent) for place in good)
    return KeepCurve(best, (lowest, best), steps, soundings[good[1]].resolution.note)


def information_bits(rings: Rings, band_cyc_per_px: float) -> float:
    """Return the sum of n/2 log2(1 + SSNR) = n artanh(c) / ln 2 over rings up to `band_cyc_per_px`.

    Correlations below 0 count as less than nothing, so that pure noise adds nothing in the mean.
    """
    seen = rings.frequency_cyc_per_px <= band_cyc_per_px
    c = np.clip(rings.correlation[seen], -_MOST_CERTAIN, _MOST_CERTAIN)
    return float((rings.count[seen] * np.arctanh(c)).sum() / np.log(2.0))


def information_error(rings: Rings, band_cyc_per_px: float) -> float:
    """Return the standard error of `information_bits`: sqrt(sum of n) / ln 2.

    Of one target under little noise it is less, by up to the square root of 2.
    """
    seen = rings.frequency_cyc_per_px <= band_cyc_per_px
    return float(np.sqrt(rings.count[seen].sum()) / np.log(2.0))


def _as_good(bits: NDArray[np.float64], error: float, frames: NDArray[np.float64]) -> tuple[int, int]:
    """Return the last step whose information is as good as the largest, and the first of the stretch that it ends.

    Stacks of one capture share frames, and thus noise: that of the larger is part of that of the smaller, with a
    correlation of (frames of the smaller) / (frames of the larger) of their products.
    """
    top = int(bits.argmax())
    smaller, larger = np.minimum(frames, frames[top]), np.maximum(frames, frames[top])
    apart = error * np.sqrt(2.0 * (1.0 - smaller / np.maximum(larger, 1e-9)))
    good = bits >= bits[top] - np.hypot(apart, _GEOMETRY * bits[top])
    first = last = int(np.flatnonzero(good).max())
    while first > 0 and good[first - 1]:
        first -= 1
    return first, last


def _step(sounding: Sounding, bits: float | None, error: float | None) -> KeepStep:
    resolution = sounding.resolution
    return KeepStep(
        sounding.keep_percent,
        sounding.frames,
        resolution.half_bit_px,
        resolution.half_bit_px_error,
        sounding.snr,
        sounding.snr_error,
        bits,
        error,
    )
