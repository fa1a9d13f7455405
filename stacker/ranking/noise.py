"""The camera's noise, read from the frames themselves: read noise plus photon noise that grows with the signal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.ranking.plane import raw_plane

_BLOCK = 8
_QUARTILE_OF_VARIANCE = 0.769
"""Lower quartile of the blocks' variance estimate over white noise of variance 1 (65 000 blocks of 8x8)."""
_SECOND_DIFFERENCE = np.array([1, -2, 1], dtype=np.float32)
_ENERGY = 36.0
"""Sum of the squared kernel: the response to unit white noise."""


@dataclass(frozen=True)
class NoiseModel:
    """Variance of one raw pixel as a straight line over its level: `read_variance + per_adu * level`."""

    read_variance: float
    per_adu: float

    def variance(self, level_adu: float) -> float:
        """Return the variance in ADU^2 of a raw pixel at a level in ADU."""
        return max(self.read_variance + self.per_adu * level_adu, 1e-12)


def sample_noise(frame: NDArray[Any], mosaic: str | None) -> NDArray[np.float32]:
    """Return (level, variance) of every 8x8 block of one colour of a raw frame, (N, 2).

    The second difference in both directions (Immerkaer 1996, Computer Vision and Image Understanding 64, 300)
    answers to noise but hardly to an optically band-limited image.
    """
    raw = raw_plane(frame, mosaic)
    rows, columns = (size // _BLOCK for size in raw.shape)
    if rows < 1 or columns < 1:
        return np.zeros((0, 2), dtype=np.float32)
    response = cv2.sepFilter2D(raw, cv2.CV_32F, _SECOND_DIFFERENCE, _SECOND_DIFFERENCE)
    size = (columns, rows)
    crop = np.s_[: rows * _BLOCK, : columns * _BLOCK]
    variance = cv2.resize(response[crop] ** 2, size, interpolation=cv2.INTER_AREA) / _ENERGY
    level = cv2.resize(raw[crop], size, interpolation=cv2.INTER_AREA)
    pairs = np.stack([level.ravel(), variance.ravel()], axis=1)
    return np.asarray(pairs[np.isfinite(pairs).all(axis=1)], dtype=np.float32)


def fit_noise(samples: NDArray[np.float32], groups: int = 10) -> NoiseModel:
    """Return the noise model through samples of `sample_noise`.

    Within each group of equal brightness the lower quartile counts, so that hot pixels and fine detail, which only
    add, do not; the line through the groups has no negative slope.
    """
    if len(samples) < 4:
        return NoiseModel(1e-12, 0.0)
    order = np.argsort(samples[:, 0], kind="stable")
    parts = [part for part in np.array_split(order, groups) if len(part)]
    level = np.array([np.median(samples[part[(len(part) - 1) // 2 : len(part) // 2 + 1], 0]) for part in parts])
    variance = np.array([np.percentile(samples[part, 1], 25) for part in parts]) / _QUARTILE_OF_VARIANCE
    spread = level.max() - level.min()
    if spread < 1e-3 * max(abs(level.max()), 1e-6):
        return NoiseModel(float(np.median(variance)), 0.0)
    slope, start = np.polyfit(level, variance, 1)
    if slope < 0:
        return NoiseModel(float(np.median(variance)), 0.0)
    return NoiseModel(float(start), float(slope))
