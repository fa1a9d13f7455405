"""Hot and dead pixels as the first pass must know them: spikes of the binned plane that stay while the air moves the target."""

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

    def find(self) -> NDArray[np.intp]:
        """Return flat indices of blemished plane pixels; none where fewer than four frames were taken in."""
        if self._count < 4:
            return np.zeros(0, dtype=np.intp)
        mean = self._sum / np.float32(self._count)
        variance = np.maximum(self._squares / np.float32(self._count) - mean**2, 0)
        error = np.sqrt(variance / np.float32(self._count - 1))
        # A pixel that is stuck varies less than the noise: its neighbours tell the noise.
        error = np.maximum(error, cv2.blur(error, (5, 5)))
        size = np.abs(mean)
        around = (cv2.blur(size, (3, 3)) * 9 - size) / 8
        return np.flatnonzero((size > _DEVIATIONS * error) & (size > _ISOLATION * around))


class Repair:
    """Replaces blemished pixels of a plane by the mean of their sound neighbours, in place."""

    def __init__(self, indices: NDArray[np.intp], shape: tuple[int, int]) -> None:
        rows, columns = np.divmod(indices, shape[1])
        bad = np.zeros(shape, bool)
        bad.ravel()[indices] = True
        steps = [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1)]
        near = np.stack([
            np.clip(rows + dy, 0, shape[0] - 1) * shape[1] + np.clip(columns + dx, 0, shape[1] - 1) for dy, dx in steps
        ])
        sound = ~bad.ravel()[near]
        self._indices = indices
        self._near = near
        self._weight = (sound / np.maximum(sound.sum(axis=0), 1)).astype(np.float32)

    def __call__(self, plane: Plane) -> Plane:
        """Repair a contiguous plane and return it."""
        if self._indices.size:
            flat = plane.reshape(-1)
            flat[self._indices] = (flat[self._near] * self._weight).sum(axis=0)
        return plane
