"""Hot and dead pixels as the first pass must know them: spikes of the binned plane that stay where they are."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.ranking.plane import Plane

_DEVIATIONS = 6.0
_ISOLATION = 3.0
"""A blemish exceeds the mean of its neighbours' excess by this factor: the optics spread light over several pixels."""


class BlemishFinder:
    """Collects the mean excess of every plane pixel over the median of its surroundings."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self._sum = np.zeros(shape, np.float32)
        self._squares = np.zeros(shape, np.float32)
        self._count = 0

    def add(self, plane: Plane) -> None:
        """Take in one frame's plane."""
        excess = plane - cv2.medianBlur(plane, 5)
        cv2.accumulate(excess, self._sum)
        cv2.accumulateSquare(excess, self._squares)
        self._count += 1

    def take(self, other: BlemishFinder) -> None:
        """Take in what other frames showed."""
        self._sum += other._sum
        self._squares += other._squares
        self._count += other._count

    def find(self) -> NDArray[np.bool_]:
        """Return where the plane is blemished; nowhere when fewer than four frames were taken in."""
        if self._count < 4:
            return np.zeros(self._sum.shape, dtype=bool)
        mean = self._sum / np.float32(self._count)
        variance = np.maximum(self._squares / np.float32(self._count) - mean**2, 0)
        error = np.sqrt(variance / np.float32(self._count - 1))
        # A pixel that is stuck varies less than the noise: its neighbours tell the noise.
        error = np.maximum(error, cv2.blur(error, (5, 5)))
        size = np.abs(mean)
        around = (cv2.blur(size, (3, 3)) * 9 - size) / 8
        return np.asarray((size > _DEVIATIONS * error) & (size > _ISOLATION * around))
