"""Signs of damage in a single frame as stored: torn transfers, fallen bits, saturation, pixels that are no numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_FULL_SHARE = 0.2
"""Of 4x4 pixels so many must be at full scale: a lone hot pixel does not count, one colour of a mosaic does."""


def row_jumps(parts: Sequence[NDArray[Any]], step: int) -> NDArray[np.float64]:
    """Return of each part the largest step between two rows that their neighbours do not share, in standard deviations.

    Light that came through the telescope changes smoothly from row to row; where a transfer broke, one row differs.
    `step` is 2 in a mosaic (rows of the same colours), else 1. The deviation is the median one of the part's rows. 0
    for parts too small to tell.
    """
    return largest_jumps([row_steps(part, step) for part in parts], step)


def largest_jumps(steps: Sequence[NDArray[Any]], step: int) -> NDArray[np.float64]:
    """Return the same from the `row_steps` of each part."""
    jumps = np.zeros(len(steps))
    for length in {len(one) for one in steps} - {0}:
        alike = [k for k, one in enumerate(steps) if len(one) == length]
        jumps[alike] = _largest_excess(np.array([steps[k] for k in alike]), step)
    return jumps


def row_steps(part: NDArray[Any], step: int, work: NDArray[Any] | None = None) -> NDArray[Any]:
    """Return the summed absolute differences of neighbouring rows; empty for too small a part.

    `work` is overwritten, a flat array of the part's dtype and at least its size.
    """
    flat = np.nan_to_num(part, posinf=0, neginf=0) if part.dtype.kind == "f" else part
    flat = flat.reshape(flat.shape[0], -1) if flat.ndim == 3 else flat
    if flat.shape[0] < 8 * step or flat.shape[1] < 4:
        return np.empty(0)
    into = None if work is None else work[: flat[step:].size].reshape(flat[step:].shape)
    change = cv2.absdiff(flat[step:], flat[:-step], dst=into)
    kind = cv2.CV_64F if change.dtype.kind == "f" else cv2.CV_32F
    return np.asarray(cv2.reduce(change, 1, cv2.REDUCE_SUM, dtype=kind))[:, 0]


def _largest_excess(steps: NDArray[Any], step: int) -> NDArray[np.float64]:
    """Return the largest excess of each row of `steps` (K, n) over both neighbours, over the usual curvature."""
    here, above, below = steps[:, step:-step], steps[:, : -2 * step], steps[:, 2 * step :]
    excess = (here - np.maximum(above, below)).max(1)
    curvature = np.abs(here - 0.5 * (above + below))
    middle = curvature.shape[1] // 2
    usual = np.partition(curvature, middle, axis=1)[:, middle]
    return np.asarray(excess / np.maximum(np.maximum(usual, 1e-6 * steps.mean(1)), 1e-12), np.float64)


def roughness(sample: NDArray[Any], step: int) -> float:
    """Return the mean absolute third difference of every eighth sampled row; the optics pass next to nothing of it."""
    rows = sample[::8] if sample.shape[0] >= 64 else sample
    rows = (rows[..., 1] if rows.ndim == 3 else rows).astype(np.float32)
    if sample.dtype.kind == "f":
        np.nan_to_num(rows, copy=False, posinf=0, neginf=0)
    if rows.shape[1] < 4 * step:
        return np.nan
    first = rows[:, step:] - rows[:, :-step]
    second = first[:, step:] - first[:, :-step]
    total = cv2.norm(second[:, step:], second[:, :-step], cv2.NORM_L1)
    return float(total) / float(second.size)


def share_not_finite(frame: NDArray[Any]) -> float:
    """Return the fraction of a frame's values that are nan or infinite."""
    if frame.dtype.kind != "f":
        return 0.0
    return 1.0 - float(np.count_nonzero(np.isfinite(frame))) / frame.size


def area_at_full_scale(part: NDArray[Any], full_scale: float) -> int:
    """Return how many pixels lie in fields at full scale, lone hot pixels not counted."""
    if not np.isfinite(full_scale) or part.size == 0 or part.max() < full_scale:
        return 0
    # OpenCV takes a plain number here, its type stubs only an array.
    limit: Any = int(full_scale) if part.dtype.kind == "u" else float(full_scale)
    full = np.asarray(cv2.compare(part, limit, cv2.CMP_GE)) if part.ndim == 2 else _any_colour(part, full_scale)
    # A sensor's hot pixels come to less than this.
    if cv2.countNonZero(full) < max(4, full.size // 2000):
        return 0
    rows, columns = max(1, full.shape[0] // 4), max(1, full.shape[1] // 4)
    share = cv2.resize(full, (columns, rows), interpolation=cv2.INTER_AREA)
    return int(np.count_nonzero(share >= 255 * _FULL_SHARE)) * 16


def _any_colour(part: NDArray[Any], full_scale: float) -> NDArray[np.uint8]:
    return np.where((part >= full_scale).any(axis=2), np.uint8(255), np.uint8(0))
