"""The mean of calibration frames, pixel by pixel, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture.sequence import Capture, Frame

Map = NDArray[np.float32]
Sums = NDArray[np.float64]
_FEWEST_FOR_HITS = 5
_HIT_SIGMAS = 8.0
"""A pixel's largest or smallest value this far from its other values is a cosmic hit, not noise."""


@dataclass(frozen=True)
class Average:
    """Mean of N frames."""

    mean: Map
    """Shaped as the frames, in their numbers."""
    variance: Map | None
    """Of the mean; None for a single frame, which cannot tell."""
    frames: int
    level_spread: float
    """Relative scatter of the frames' mean levels: the lamp's flicker and the noise."""


class _Sums:
    """Running sums of differences from the first frame, with the extremes of every pixel."""

    def __init__(self, first: Map) -> None:
        self.first, self.count = first, 0
        self.total, self.square = (np.zeros(first.shape, np.float64) for _ in range(2))
        self.high, self.low = (np.zeros(first.shape, np.float32) for _ in range(2))

    def add(self, difference: Map) -> None:
        cv2.accumulate(difference, self.total)
        cv2.accumulateSquare(difference, self.square)
        cv2.max(difference, self.high, dst=self.high)
        cv2.min(difference, self.low, dst=self.low)
        self.count += 1

    def close(self) -> tuple[Sums, Sums, Sums]:
        """Return the mean difference, the variance of a frame, and the frames behind each pixel; hits are left out."""
        total, square, count = self.total, self.square, np.full(self.total.shape, float(self.count))
        for extreme in (self.high, self.low) if self.count >= _FEWEST_FOR_HITS else ():
            value = extreme.astype(np.float64)
            rest = (total - value) / (count - 1)
            scatter = _variance(total - value, square - value**2, count - 1)
            usual = np.maximum(scatter, np.median(scatter))
            hit = np.abs(value - rest) > _HIT_SIGMAS * np.sqrt(usual + 1e-12)
            total, square, count = (
                part - hit * amount for part, amount in ((total, value), (square, value**2), (count, 1))
            )
        return total / count, _variance(total, square, count), count


def _variance(total: Sums, square: Sums, count: Sums) -> Sums:
    return np.maximum(square - total**2 / count, 0) / np.maximum(count - 1, 1)


def average_frames(capture: Capture, flickers: bool = False) -> Average:
    """Return the mean over all frames and the variance of that mean, from the scatter of the frames.

    With `flickers` (flats) the scatter is measured after every frame is brought to the level of the first: a lamp
    that varies changes all pixels alike and is no noise of a pixel. Values that are not finite count as 0.

    Raises CaptureError where a frame cannot be read.
    """
    sums: _Sums | None = None
    levels: list[float] = []
    mean_ratio = 0.0
    for _, frame in capture.read(range(len(capture))):
        value = _finite(frame)
        level = float(value.mean())
        if sums is None:
            sums, first_level = _Sums(value.copy()), level
        ratio = first_level / level if flickers and level > 0 else 1.0
        levels.append(level)
        mean_ratio += 1 / ratio
        value *= np.float32(ratio)
        value -= sums.first
        sums.add(value)
    assert sums is not None, "a capture has at least one frame"
    difference, variance, count = sums.close()
    # Back from the first frame's level to the mean one.
    scale = mean_ratio / sums.count
    mean = ((sums.first + difference) * scale).astype(np.float32)
    spread = float(np.std(levels) / max(abs(float(np.mean(levels))), 1e-9))
    if sums.count < 2:
        return Average(mean, None, 1, spread)
    settled = np.asarray(_settled(variance * scale**2, sums.count) / count, np.float32)
    return Average(mean, settled, sums.count, spread)


def _finite(frame: Frame) -> Map:
    value = np.array(frame, np.float32)
    return value if frame.dtype.kind != "f" else np.nan_to_num(value, copy=False, posinf=0, neginf=0)


def _settled(variance: Sums, frames: int) -> Map:
    """Return the variance with the neighbourhood's where few frames say little about a single pixel's.

    n frames tell a variance to sqrt(2/(n-1)): the pixel's own counts in proportion to its frames beyond a dozen.
    """
    own = min(1.0, frames / 48)
    if own == 1:
        return variance.astype(np.float32)
    step = 2 if variance.ndim == 2 else 1
    around = np.empty(variance.shape, np.float32)
    for row in range(step):
        for column in range(step):
            part = np.ascontiguousarray(variance[row::step, column::step], np.float32)
            around[row::step, column::step] = cv2.blur(part, (7, 7), borderType=cv2.BORDER_REFLECT)
    return np.asarray(own * variance + (1 - own) * around, np.float32)
