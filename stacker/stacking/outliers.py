"""What a frame shows that the others do not (a satellite, an aircraft, a cosmic hit, a torn part) is left out.

A sample of frames is looked at first: its mean and scatter without the highest and the lowest value of every pixel, so
that a hit in the sample does no harm. In the pass over all frames a pixel further from that mean than the noise, the
seeing and the local slope allow does not count: |frame - mean| > k sigma + a (local range), the form of the test of
Fruchter & Hook 2002 (PASP 114, 144, section on cosmic rays, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import erf
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.level import Inside
from stacker.stacking.strips import strips

Array = NDArray[np.float32]
Share = Inside | Array | None
Hits = NDArray[np.uint8]
SAMPLE_FRAMES = {"full": 16, "quick": 10}
FEWEST_FRAMES = 8
"""With fewer there is no telling which of them is wrong."""
LEAST_SHARE = 0.05
"""A mosaic's sample that counts less than this at a pixel says nothing about it."""
LOCAL_PX, RANGE_SHARE = 7, 1.0
"""A frame sharper, blurrier or bent differently from most may differ by this share of the range of the pixels in a box
of that edge around."""
FLOOR = 0.01
"""Smaller differences, in units of the brightness range of the mean, are never worth a rejection: steps of the
converter and single photons in a dark sky."""
BLOCK_PX = 33
BLOCK_SHARE = 0.08
"""Where this share of a block does not fit, nothing in it is trusted: the frame is torn there."""


@lru_cache
def trimmed_variance(count: int) -> float:
    """Return the mean square of `count` standard normal values after the largest and the smallest are taken out.

    From the order statistics: (n - 2 E[max^2]) / (n - 2), E[max^2] = n integral x^2 phi(x) Phi(x)^(n-1) dx.
    Raises ValueError for fewer than 3.
    """
    if count < 3:
        raise ValueError(f"{count} values leave nothing when two are taken out")
    x, density, below = _normal()
    largest = count * float(np.sum(x**2 * density * below ** (count - 1))) * (x[1] - x[0])
    return float((count - 2 * largest) / (count - 2))


@lru_cache
def _normal() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return places, the standard normal density there, and the share of values below."""
    x = np.linspace(-9, 9, 4001)
    density = np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi)
    return x, density, np.array([(1 + erf(value)) / 2 for value in x / np.sqrt(2)])


@dataclass(frozen=True)
class Bounds:
    """What a frame may show, pixel by pixel."""

    middle: Array
    """As the stack: mean of the sample without its extremes."""
    reach: Array
    """As the stack: a difference larger than this is no part of the scene; inf where the sample saw too little."""

    def judge(self, image: Array, share: Share) -> tuple[Array, Share, int]:
        """Return (image, share, hits): values that do not fit replaced by the middle and their share set to 0.

        `image` is shaped as the stack; `share` says which pixels count, or how much each does: (H, W) or as `image`
        (None: all as one). `image` is changed in place. `hits` counts the pixels left out, colours together.
        """
        wrong = np.empty(image.shape, np.uint8)
        for rows in strips(image.shape):
            wrong[rows] = _beyond(cv2.absdiff(image[rows], self.middle[rows]), self.reach[rows])
        if isinstance(share, np.ndarray):
            known = _beyond(share, LEAST_SHARE)
            wrong &= known if known.ndim == wrong.ndim else known[..., None]
        elif share is not None:
            wrong &= share.mask if wrong.ndim == 2 else share.mask[..., None]
        if not wrong.any():
            return image, share, 0
        left_out = _grown(wrong)
        np.copyto(image, self.middle, where=left_out)
        hits = int(np.count_nonzero(left_out))
        if image.ndim == 2 and not isinstance(share, np.ndarray):
            return image, Inside.of(~left_out if share is None else ~left_out & (share.mask > 0)), hits
        shares = shares_of(share, image.shape)
        shares[left_out] = 0
        return image, shares, hits


def shares_of(share: Share, shape: tuple[int, ...]) -> Array:
    """Return how much each pixel of an image of `shape` counts, float32, an array of its own."""
    if share is None:
        return np.ones(shape, np.float32)
    shares = share.mask > 0 if isinstance(share, Inside) else share
    return np.array(np.broadcast_to(shares if shares.ndim == len(shape) else shares[..., None], shape), np.float32)


def _beyond(value: Any, limit: Any) -> Hits:
    return np.asarray(cv2.compare(value, limit, cv2.CMP_GT), np.uint8)


def _grown(wrong: Hits) -> NDArray[np.bool_]:
    """Return hits with their neighbours, which resampling mixed with them, and with the blocks that they spoil."""
    if wrong.ndim == 3:
        return np.stack([_grown(plane) for plane in np.moveaxis(wrong, 2, 0)], 2)
    plane = np.ascontiguousarray(wrong)
    near = np.asarray(cv2.dilate(plane, np.ones((3, 3), np.uint8))) > 0
    crowded = np.asarray(cv2.blur(plane, (BLOCK_PX, BLOCK_PX), borderType=cv2.BORDER_REFLECT)) > 255 * BLOCK_SHARE
    if not crowded.any():
        return near
    return near | (np.asarray(cv2.dilate(crowded.astype(np.uint8), np.ones((BLOCK_PX, BLOCK_PX), np.uint8))) > 0)


class Sample:
    """Running sums over a few frames and the extremes of every pixel: five planes, however many frames."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._count, self._total, self._square, self._high, self._low = (np.zeros(shape, np.float32) for _ in range(5))
        self._high -= np.inf
        self._low += np.inf
        self._pivot: Array | None = None

    def add(self, image: Array, share: Share) -> None:
        """Add one frame, as `Bounds.judge` takes it."""
        unseen = None if share is None else shares_of(share, image.shape) <= LEAST_SHARE
        if self._pivot is None:
            # Differences from a frame keep the squares small enough for float32.
            self._pivot = image.copy()
            if unseen is not None:
                # Where no frame shows anything this is what stays: the sky around a disc.
                self._pivot[unseen] = 0 if unseen.all() else np.median(image[~unseen])
        for rows in strips(image.shape):
            value = np.asarray(cv2.subtract(image[rows], self._pivot[rows]), np.float32)
            hidden = None if unseen is None else unseen[rows]
            self._count[rows] += 1 if hidden is None else ~hidden
            for extreme, further, never in ((self._high, cv2.max, -np.inf), (self._low, cv2.min, np.inf)):
                if hidden is not None:
                    value[hidden] = never
                further(extreme[rows], value, dst=extreme[rows])
            if hidden is not None:
                value[hidden] = 0
            cv2.accumulate(value, self._total[rows])
            cv2.accumulateSquare(value, self._square[rows])

    def mean_and_variance(self) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Return the mean and the variance without the extremes, and where enough frames were seen for both."""
        assert self._pivot is not None, "an alignment has frames"
        mean, variance = np.empty_like(self._pivot), np.empty_like(self._pivot)
        enough = self._count >= FEWEST_FRAMES - 2
        most = int(self._count.max())
        untrimmed = np.array([1.0] * 3 + [1 / trimmed_variance(count) for count in range(3, most + 1)], np.float32)
        for rows in strips(mean.shape):
            known, count = enough[rows], self._count[rows]
            high, low = (np.where(known, extreme[rows], 0) for extreme in (self._high, self._low))
            kept = np.where(known, count - 2, np.maximum(count, 1))
            middle = (self._total[rows] - high - low) / kept
            scatter = np.maximum((self._square[rows] - high**2 - low**2) / kept - middle**2, 0)
            scatter *= kept / np.maximum(kept - 1, 1)
            scatter *= untrimmed[count.astype(np.intp)]
            mean[rows] = self._pivot[rows] + middle
            variance[rows] = np.where(known, scatter, 0)
        return mean, variance, enough

    def bounds(self, sigmas: float) -> Bounds:
        """Return what the sample lets a frame show, `sigmas` standard deviations wide."""
        middle, variance, enough = self.mean_and_variance()
        floor = FLOOR * float(np.subtract(*np.quantile(middle[enough], (0.999, 0.001)))) if enough.any() else 0.0
        if middle.ndim == 2:
            return Bounds(middle, _reach(middle, variance, enough, sigmas, floor))
        reach = variance
        for colour in range(middle.shape[2]):
            plane, scatter = (np.ascontiguousarray(part[..., colour]) for part in (middle, variance))
            reach[..., colour] = _reach(plane, scatter, enough[..., colour], sigmas, floor)
        return Bounds(middle, reach)


def _reach(middle: Array, variance: Array, enough: NDArray[np.bool_], sigmas: float, floor: float) -> Array:
    """Return (H, W) how far values may lie from the middle of one colour; inf where too little was seen."""
    pooled = _around_mean(variance) / np.maximum(_around_mean(enough.astype(np.float32)), np.float32(0.04))
    box = np.ones((LOCAL_PX, LOCAL_PX), np.uint8)
    local_range = cv2.subtract(cv2.dilate(middle, box), cv2.erode(middle, box))
    reach = np.maximum(sigmas * np.sqrt(np.maximum(pooled, 0)) + RANGE_SHARE * local_range, floor)
    return np.where(enough, reach, np.inf).astype(np.float32)


def _around_mean(plane: Array) -> Array:
    return np.asarray(cv2.blur(plane, (5, 5), borderType=cv2.BORDER_REFLECT), np.float32)
