"""How much the frames scatter at which brightness: samples for the photon transfer curve."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import comb
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture
from stacker.capture.sequence import Frame

Map = NDArray[np.float32]
Column = NDArray[np.float64]
BLOCK_PX = 16
_MOST_PAIRS, _MOST_PAIRS_IN_SPACE = 40, 8
_STEPS = 6
"""Order of the differences in space: what samples 2.5 px per lambda/D or better passes nothing where they answer."""
_HIT = 6.0
_FULL = 0.9


@dataclass(frozen=True)
class NoiseSamples:
    """Level and variance of blocks of pixels, in the camera's numbers."""

    level: Column
    variance: Column
    weight: Column
    """Degrees of freedom behind each variance."""

    def joined(self, other: NoiseSamples) -> NoiseSamples:
        """Return both together."""
        pairs = ((self.level, other.level), (self.variance, other.variance), (self.weight, other.weight))
        return NoiseSamples(*(np.concatenate(pair) for pair in pairs))


def samples_in_time(capture: Capture) -> NoiseSamples:
    """Sample differences of consecutive frames of a still scene, such as flats and biases (up to 40 pairs).

    The fixed pattern cancels (Janesick 2007, Photon Transfer, chapter on the difference of two flats). A lamp's flicker
    is taken out by the ratio of the frames' means. Blocks near full scale are left out.
    """
    last = min(len(capture) // 2, _MOST_PAIRS)
    found = NoiseSamples(*(np.zeros(0) for _ in range(3)))
    before: Frame | None = None
    for index, frame in capture.read(range(2 * last)):
        if index % 2 == 0:
            before = frame.copy()
        elif before is not None:
            found = found.joined(_pair(before, frame, capture))
    return found


def _pair(first: Frame, second: Frame, capture: Capture) -> NoiseSamples:
    parts = []
    for one, two in zip(_parts(first, capture.mosaic), _parts(second, capture.mosaic), strict=True):
        mean_one, mean_two = float(one.mean()), float(two.mean())
        ratio = mean_one / mean_two if mean_two > 0 else 1.0
        difference = one - np.float32(ratio) * two
        difference -= np.float32(difference.mean())
        square = difference**2
        # Hits and pixels that jump between two states are no noise of the rest.
        square[square > _HIT**2 * 2.2 * np.median(square)] = np.nan
        level = _blocks((one + two) / 2)
        variance = _blocks(square) / (1 + ratio**2)
        parts.append(_within(level, variance, capture.full_scale, float(BLOCK_PX**2)))
    joined = parts[0]
    for part in parts[1:]:
        joined = joined.joined(part)
    return joined


def samples_in_space(capture: Capture, pairs: int = _MOST_PAIRS_IN_SPACE) -> NoiseSamples:
    """Sample the finest detail of differences of consecutive frames, up to `pairs` spread over a capture of any target.

    The sixth difference along both axes, of a mosaic's green pixels along both diagonals, answers to frequencies
    beyond the optics' cutoff (Immerkaer 1996, Computer Vision and Image Understanding 64, 300, takes the second, of
    single frames). What keeps its place cancels: hot pixels, unequal sensitivity. Noise that the camera or a codec has
    smoothed reads too low.
    """
    mosaic = None if len(capture.shape) == 3 else capture.mosaic
    kernel, freedom = difference_kernel(mosaic is not None), degrees_of_freedom(mosaic is not None)
    found = NoiseSamples(*(np.zeros(0) for _ in range(3)))
    before: Map | None = None
    for number, (_, frame) in enumerate(capture.read(_pairs(capture, pairs))):
        plane = np.array(frame[..., 1] if frame.ndim == 3 else frame, np.float32)
        if number % 2 == 0 and len(capture) > 1:
            before = plane
            continue
        twice = 1.0 if before is None else 2.0
        level = plane if before is None else (plane + before) / 2
        answer = cv2.filter2D(plane if before is None else plane - before, cv2.CV_32F, kernel)
        square = np.asarray(answer**2 / np.float32(twice * (kernel**2).sum()), np.float32)
        _forget_border(square, kernel.shape[0] // 2)
        for place, colour in enumerate(mosaic or ""):
            if colour != "G":
                square[place // 2 :: 2, place % 2 :: 2] = np.nan
                level[place // 2 :: 2, place % 2 :: 2] = np.nan
        found = found.joined(_within(_blocks(level), _blocks(square), capture.full_scale, freedom))
    return found


def _forget_border(square: Map, reach_px: int) -> None:
    """Mark what the filter answers to mirrored pixels: they are no independent noise."""
    square[:reach_px] = square[-reach_px:] = np.nan
    square[:, :reach_px] = square[:, -reach_px:] = np.nan


def _pairs(capture: Capture, most: int) -> list[int]:
    """Return the first frames of pairs, each with its next one."""
    last = min(len(capture), 4 * most) if capture.is_sequential else len(capture)
    if last < 2:
        return [0]
    first = np.unique(np.linspace(0, last - 2, min(last // 2, most)).astype(int) // 2 * 2)
    return [index + step for index in first.tolist() for step in (0, 1)]


@lru_cache
def difference_kernel(diagonal: bool) -> Map:
    """Return the sixth difference along both axes (7, 7), or along both diagonals (13, 13)."""
    row = np.array([(-1.0) ** k * comb(_STEPS, k) for k in range(_STEPS + 1)], np.float32)
    kernel = np.outer(row, row)
    if not diagonal:
        return kernel
    turned = np.zeros((2 * _STEPS + 1, 2 * _STEPS + 1), np.float32)
    for i in range(_STEPS + 1):
        for j in range(_STEPS + 1):
            turned[i + j, i - j + _STEPS] = kernel[i, j]
    return turned


@lru_cache
def degrees_of_freedom(diagonal: bool) -> float:
    """Return the independent values in a block: its pixels over the sum of the squared correlations of the filter."""
    one = comb(4 * _STEPS, 2 * _STEPS) / comb(2 * _STEPS, _STEPS) ** 2
    return BLOCK_PX**2 * (0.5 if diagonal else 1.0) / one**2


@lru_cache
def median_over_mean(freedom: float) -> float:
    """Return the median of a variance estimate of so many degrees of freedom over its mean, from the integral of the
    density of chi squared."""
    over_mean = (np.arange(1 << 16) + 0.5) * (8.0 / (1 << 16))
    below = np.cumsum(np.exp((0.5 * freedom - 1) * np.log(over_mean) - 0.5 * freedom * (over_mean - 1)))
    return float(np.interp(0.5 * below[-1], below, over_mean + 4.0 / (1 << 16)))


def _parts(frame: Frame, mosaic: str | None) -> list[Map]:
    """Return the pixels that share a level: cells of a mosaic, planes of colour, or the frame."""
    if frame.ndim == 3:
        return [np.ascontiguousarray(frame[..., plane], np.float32) for plane in range(3)]
    step = 2 if mosaic else 1
    return [np.ascontiguousarray(frame[r::step, c::step], np.float32) for r in range(step) for c in range(step)]


def _blocks(plane: NDArray[np.floating[Any]]) -> Column:
    """Return the means of the whole blocks; nan counts as absent."""
    rows, columns = (size // BLOCK_PX for size in plane.shape)
    cut = plane[: rows * BLOCK_PX, : columns * BLOCK_PX].reshape(rows, BLOCK_PX, columns, BLOCK_PX)
    known = np.isfinite(cut)
    total, count = np.where(known, cut, 0).sum((1, 3), dtype=np.float64), known.sum((1, 3))
    return np.where(count > BLOCK_PX**2 / 4, total / np.maximum(count, 1), np.nan).ravel()


def _within(level: Column, variance: Column, full_scale: float, freedom: float) -> NoiseSamples:
    use = np.isfinite(level) & np.isfinite(variance) & (level < _FULL * full_scale) & (variance > 0)
    return NoiseSamples(level[use], variance[use], np.full(int(use.sum()), freedom))
