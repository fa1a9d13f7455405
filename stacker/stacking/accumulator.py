"""Running weighted mean and scatter of aligned frames in two halves, in bounded memory."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.level import Inside
from stacker.stacking.strips import strips

Array = NDArray[np.float32]
Sums = NDArray[np.float64]
Planes = NDArray[np.float32] | NDArray[np.float64]


@dataclass(frozen=True)
class _Shown:
    """What one frame showed."""

    half: int
    weight: float
    missed: list[tuple[tuple[slice, slice], NDArray[np.bool_]]]
    """Places, and where in them it showed nothing."""


class Accumulator:
    """Sums over the frames of two halves.

    What is summed should be the difference from a pivot, the same for all frames, which keeps precision. A few frames
    may be summed in single precision, only to be taken over as one. The result does not depend on anything but the
    frames and their order.
    """

    def __init__(self, shape: tuple[int, ...], single: bool = False) -> None:
        self._shape, self._dtype = shape, np.dtype(np.float32 if single else np.float64)
        self._sum = [self._empty(), self._empty()]
        self._square = self._empty()
        self._weighs_at_once = not single
        self._shown: list[_Shown] = []
        self._everywhere, self._everywhere2 = [0.0, 0.0], 0.0
        # What differs from that; frames that all cover everything need no planes.
        self._weight: list[Planes] | None = None
        self._weight2: Planes | None = None

    def add(self, half: int, difference: Array, weight: float, inside: Inside | Array | None) -> None:
        """Add a frame of one half: `difference` has the accumulator's shape.

        `inside` says which points count, or how much each does, (H, W) or shaped as `difference`; None: all as one.
        """
        if isinstance(inside, np.ndarray):
            self._add_shares(half, difference, weight, inside)
            return
        missed = [] if inside is None else [(rim, inside.mask[rim] == 0) for rim in inside.rims]
        self._shown.append(_Shown(half, weight, missed))
        if self._weighs_at_once:
            self._weigh()
        for rows in strips(self._shape):
            part = difference[rows]
            mask = None if inside is None else inside.mask[rows]
            weighted = part * np.float32(weight)
            cv2.accumulate(weighted, self._sum[half][rows], mask=mask)
            cv2.accumulateProduct(weighted, part, self._square[rows], mask=mask)

    def _add_shares(self, half: int, difference: Array, weight: float, shares: Array) -> None:
        weights, weights2 = self._planes_of_weights()
        for rows in strips(self._shape):
            part = difference[rows]
            share = shares[rows] if shares.ndim == part.ndim else cv2.merge([shares[rows]] * 3)
            share = share * np.float32(weight)
            cv2.accumulate(share, weights[half][rows])
            cv2.accumulateSquare(share, weights2[rows])
            weighted = part * share
            cv2.accumulate(weighted, self._sum[half][rows])
            cv2.accumulateProduct(weighted, part, self._square[rows])

    def take(self, other: Accumulator) -> None:
        """Add the sums of other frames."""
        for half in (0, 1):
            cv2.accumulate(other._sum[half], self._sum[half])
        cv2.accumulate(other._square, self._square)
        self._shown += other._shown
        self._weigh()
        if other._weight is not None and other._weight2 is not None:
            weights, weights2 = self._planes_of_weights()
            for half in (0, 1):
                cv2.accumulate(other._weight[half], weights[half])
            cv2.accumulate(other._weight2, weights2)

    def weight(self, half: int | None = None) -> Sums:
        """Return the summed weight behind each pixel, of one half or of both."""
        return self._weight_in(slice(None), (0, 1) if half is None else (half,))

    def mean(self, half: int | None = None) -> Array:
        """Return the weighted mean, of one half or of both; 0 where nothing was seen."""
        halves = (0, 1) if half is None else (half,)
        mean = np.empty(self._shape, np.float32)
        for rows in strips(self._shape):
            mean[rows] = sum(self._sum[h][rows] for h in halves) / np.maximum(self._weight_in(rows, halves), 1e-12)
        return mean

    def coverage(self) -> Array:
        """Return the effective number of frames (sum w)^2 / sum w^2 behind each pixel; 0 where none."""
        coverage = np.empty(self._shape, np.float32)
        for rows in strips(self._shape):
            coverage[rows] = self._coverage_in(rows)
        return coverage

    def variance(self) -> Array:
        """Return the variance of the weighted mean: s^2 / n_eff, s^2 the weighted scatter with n_eff - 1 degrees."""
        variance = np.empty(self._shape, np.float32)
        for rows in strips(self._shape):
            weight = np.maximum(self._weight_in(rows), 1e-12)
            mean = (self._sum[0][rows] + self._sum[1][rows]) / weight
            scatter = np.maximum(self._square[rows] / weight - mean**2, 0)
            count = np.maximum(self._coverage_in(rows), 1)
            variance[rows] = scatter / np.maximum(count - 1, 1)
        return variance

    def _weigh(self) -> None:
        """Turn what frames showed into weights."""
        for frame in self._shown:
            # Added everywhere and taken away where nothing was seen, in turn, it leaves exactly nothing there.
            self._everywhere[frame.half] += frame.weight
            self._everywhere2 += frame.weight**2
            if frame.missed:
                weights, weights2 = self._planes_of_weights()
                for rim, where in frame.missed:
                    weights[frame.half][rim][where] -= frame.weight
                    weights2[rim][where] -= frame.weight**2
        self._shown.clear()

    def _weight_in(self, rows: slice, halves: tuple[int, ...] = (0, 1)) -> Sums:
        everywhere = sum(self._everywhere[h] for h in halves)
        if self._weight is None:
            return np.full(self._sum[0][rows].shape, everywhere)
        return np.asarray(sum(self._weight[h][rows] for h in halves) + everywhere, np.float64)

    def _coverage_in(self, rows: slice) -> Array:
        squares = self._everywhere2 + (0.0 if self._weight2 is None else self._weight2[rows])
        return np.asarray(self._weight_in(rows) ** 2 / np.maximum(squares, 1e-30), np.float32)

    def _empty(self) -> Planes:
        return np.zeros(self._shape, self._dtype)

    def _planes_of_weights(self) -> tuple[list[Planes], Planes]:
        if self._weight is None or self._weight2 is None:
            self._weight, self._weight2 = [self._empty(), self._empty()], self._empty()
        return self._weight, self._weight2
