"""Running weighted mean and scatter of aligned frames in two halves, in bounded memory."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
Sums = NDArray[np.float64]


class Accumulator:
    """Sums over the frames of two halves; what is summed is the difference from a pivot, which keeps precision.

    The result does not depend on anything but the frames and their order.
    """

    def __init__(self, shape: tuple[int, ...], pivot: Array) -> None:
        self._pivot = pivot
        self._sum = [np.zeros(shape, np.float64) for _ in (0, 1)]
        self._weight = [np.zeros(shape, np.float64) for _ in (0, 1)]
        self._everywhere = [0.0, 0.0]
        self._square = np.zeros(shape, np.float64)
        self._weight2 = np.zeros(shape, np.float64)
        self._everywhere2 = 0.0

    def add(self, half: int, image: Array, weight: float, inside: Array | None) -> None:
        """Add a frame of one half: `image` has the accumulator's shape.

        `inside`, (H, W) or shaped as `image`, multiplies `weight` pixel by pixel; None: 1 everywhere.
        """
        difference = cv2.subtract(image, self._pivot)
        if inside is None:
            self._everywhere[half] += weight
            self._everywhere2 += weight**2
            weighted = difference * np.float32(weight)
        else:
            share = inside if inside.ndim == difference.ndim else cv2.merge([inside] * 3)
            share = share * np.float32(weight)
            cv2.accumulate(share, self._weight[half])
            cv2.accumulateSquare(share, self._weight2)
            weighted = difference * share
        cv2.accumulate(weighted, self._sum[half])
        cv2.accumulateProduct(weighted, difference, self._square)

    def weight(self, half: int | None = None) -> Sums:
        """Return the summed weight behind each pixel, of one half or of both."""
        halves = (0, 1) if half is None else (half,)
        return np.asarray(sum(self._weight[h] + self._everywhere[h] for h in halves))

    def mean(self, half: int | None = None) -> Array:
        """Return the weighted mean; the pivot where nothing was seen."""
        halves = (0, 1) if half is None else (half,)
        total = sum(self._sum[h] for h in halves)
        return (self._pivot + total / np.maximum(self.weight(half), 1e-12)).astype(np.float32)

    def coverage(self) -> Array:
        """Return the effective number of frames (sum w)^2 / sum w^2 behind each pixel."""
        squares = self._weight2 + self._everywhere2
        return np.asarray(self.weight() ** 2 / np.maximum(squares, 1e-30), np.float32)

    def variance(self) -> Array:
        """Return the variance of the weighted mean: s^2 / n_eff, s^2 the weighted scatter with n_eff - 1 degrees."""
        weight = np.maximum(self.weight(), 1e-12)
        mean = (self._sum[0] + self._sum[1]) / weight
        scatter = np.maximum(self._square / weight - mean**2, 0)
        count = np.maximum(self.coverage(), 1)
        return np.asarray(scatter / np.maximum(count - 1, 1), np.float32)
