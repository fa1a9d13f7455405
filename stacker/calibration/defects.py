"""Hot, dead and stuck pixels, found in the capture itself: what stays on the sensor while the target moves over it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture
from stacker.capture.each_frame import Frames, each_batch
from stacker.capture.sequence import Frame

MOST_FRAMES = {"full": 64, "quick": 32}
_FEWEST = 4
_DEVIATIONS = 6.0
"""A defect's mean excess exceeds its own standard error by this factor."""
_STILL_PX = 1.0
"""Below this drift (rms) real detail stays on its pixels too, and a defect must stand alone more clearly."""
_ROUNDS = 3
_NEIGHBOURS = ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1))
_RING = ((-2, 0), (2, 0), (0, -2), (0, 2), (-2, -1), (-2, 1), (2, -1), (2, 1), (-1, -2), (1, -2), (-1, 2), (1, 2))

Map = NDArray[np.float32]


def find_defects(
    capture: Capture,
    usable: Iterable[int],
    coarse_shift_px: NDArray[np.float64],
    workers: int = 1,
    effort: str = "full",
) -> NDArray[np.bool_]:
    """Return the sensor's defects, (H, W), True where a pixel is hot, dead, stuck or never finite.

    The mean over up to 64 spread frames (32 with the quick effort) of what a pixel shows above the median of its
    surroundings (5x5 of its own colour) is compared with its own standard error and with the same quantity around it.
    The optics spread real detail over several pixels, so a defect also has to stand out from its eight neighbours; more
    clearly so where the target hardly moved over the sensor.

    `usable` are the frames that may be used, `coarse_shift_px` (N, 2) where the target stands in each frame.
    *Limits*: with fewer than four frames nothing is found; a defect weaker than the noise of those frames stays, and
    in a mosaic whose target does not move at all about one in ten stays too.
    """
    indices = np.array(sorted(usable), dtype=int)
    if len(indices) > MOST_FRAMES[effort]:
        indices = indices[np.linspace(0, len(indices) - 1, MOST_FRAMES[effort]).round().astype(int)]
    found = np.zeros(capture.shape[:2], dtype=bool)
    if len(indices) < _FEWEST:
        return found
    motion = coarse_shift_px[indices]
    motion = motion[np.isfinite(motion).all(axis=1)]
    still = len(motion) < 2 or float(np.hypot(*motion.std(axis=0))) < _STILL_PX
    step = 2 if capture.mosaic else 1
    pivots = [_look(part)[0] for part in _colours(capture.get_frame(int(indices[0])), step)]

    def add_up(frames: Frames) -> list[_Statistics]:
        few = [_Statistics(pivot) for pivot in pivots]
        for _, frame in frames:
            for part, statistic in zip(_colours(frame, step), few, strict=True):
                statistic.add(*_look(part))
        return few

    batches = each_batch(capture, indices.tolist(), add_up, workers, quick=True)
    statistics = next(batches)
    for few in batches:
        for statistic, more in zip(statistics, few, strict=True):
            statistic.take(more)
    for part, statistic in zip(_colours(found, step), statistics, strict=True):
        part[...] = statistic.defects(still)
    return found


def _colours(image: NDArray[Any], step: int) -> list[NDArray[Any]]:
    """Return views of the pixels of each colour of a mosaic; the image itself where there is none."""
    return [image[row::step, column::step] for row in range(step) for column in range(step)]


def _look(part: NDArray[Any]) -> tuple[Map, Map, NDArray[np.bool_] | None]:
    """Return the pixels of one colour, what each shows above its surroundings, and where floats are finite."""
    level = part.mean(axis=2, dtype=np.float32) if part.ndim == 3 else part
    level = np.ascontiguousarray(level)
    finite = np.isfinite(level) if level.dtype.kind == "f" else None
    if finite is not None and not finite.all():
        level = np.where(finite, level, np.median(level[finite]) if finite.any() else 0).astype(np.float32)
    value = level.astype(np.float32)
    return value, value - cv2.medianBlur(level, 5), finite


class _Statistics:
    """Running sums of one colour's frames."""

    def __init__(self, pivot: Map) -> None:
        self._count, self._pivot = 0, pivot
        self._sums = [np.zeros_like(pivot) for _ in range(4)]
        self._missing: NDArray[np.intp] | None = None

    def add(self, value: Map, excess: Map, finite: NDArray[np.bool_] | None) -> None:
        """Take in what one colour of a frame shows; see `_look`."""
        value -= self._pivot
        cv2.accumulate(excess, self._sums[0])
        cv2.accumulateSquare(excess, self._sums[1])
        cv2.accumulate(value, self._sums[2])
        cv2.accumulateSquare(value, self._sums[3])
        if finite is not None:
            self._missing = ~finite + (np.intp(0) if self._missing is None else self._missing)
        self._count += 1

    def take(self, other: _Statistics) -> None:
        """Take in the sums over other frames."""
        for own, more in zip(self._sums, other._sums, strict=True):
            own += more
        if self._missing is not None and other._missing is not None:
            self._missing += other._missing
        self._count += other._count

    def defects(self, still: bool) -> NDArray[np.bool_]:
        """Return where this colour's pixels are defective."""
        excess, error = _mean_and_error(self._sums[0], self._sums[1], self._count)
        found = _spikes(excess, error, still) | self._stuck()
        return found if self._missing is None else found | (self._missing > 0.5 * self._count)

    def _stuck(self) -> NDArray[np.bool_]:
        """Pixels that hardly vary although their neighbours do: a constant value may cancel in the mean excess."""
        _, error = _mean_and_error(self._sums[2], self._sums[3], self._count)
        around = cv2.blur(error, (5, 5))
        return np.asarray((error < 0.05 * around) & (around * np.sqrt(self._count) > 1.5))


def _mean_and_error(total: Map, squares: Map, count: int) -> tuple[Map, Map]:
    mean = total / np.float32(count)
    variance = np.maximum(squares / np.float32(count) - mean**2, 0)
    return mean, np.sqrt(variance / np.float32(max(count - 1, 1)))


def _spikes(excess: Map, error: Map, still: bool) -> NDArray[np.bool_]:
    """Return isolated pixels whose excess is certain; strong ones first, so that they do not hide weak ones nearby."""
    own_error = np.maximum(error, cv2.blur(error, (5, 5)) * np.float32(0.7))
    isolation, spread = (4.0, 8.0) if still else (2.5, 5.0)
    found = np.zeros(excess.shape, dtype=bool)
    size = np.abs(excess)
    for _ in range(_ROUNDS):
        rest = np.where(found, np.float32(0), size)
        near = _neighbour_mean(rest)
        local = np.sqrt(np.maximum(cv2.blur(rest**2, (15, 15)) * 225 - cv2.blur(rest**2, (3, 3)) * 9, 0) / 216)
        new = (size > _DEVIATIONS * own_error) & (size > isolation * near) & (size > spread * local) & ~found
        if not new.any():
            break
        found |= new
    return found


def _neighbour_mean(size: Map) -> Map:
    return np.asarray((cv2.blur(size, (3, 3)) * 9 - size) / 8)


class DefectRepair:
    """Replaces defective pixels by the mean of their nearest sound neighbours of the same colour.

    Neighbours are looked up once, so a frame costs a few microseconds per hundred defects; threads may share it.
    """

    def __init__(self, defects: NDArray[np.bool_], mosaic: str | None = None) -> None:
        """`defects` (H, W); `mosaic` names the colours of the 2x2 cell, None for mono and full colour."""
        self._step = 2 if mosaic else 1
        self._shape = (defects.shape[0], defects.shape[1])
        self._indices = np.flatnonzero(defects)
        near, weight = self._neighbours(defects, _NEIGHBOURS)
        far, far_weight = self._neighbours(defects, _RING)
        lonely = weight.sum(axis=0) == 0
        self._near = np.concatenate([near, far])
        self._weight = np.concatenate([weight, np.where(lonely, far_weight, 0)])
        total = self._weight.sum(axis=0)
        self._weight /= np.where(total > 0, total, 1)
        keep = total > 0
        self._indices, self._near = self._indices[keep], self._near[:, keep]
        self._weight = np.ascontiguousarray(self._weight[:, keep], dtype=np.float32)

    def _neighbours(
        self, defects: NDArray[np.bool_], steps: tuple[tuple[int, int], ...]
    ) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """Return flat indices and weights (1 or 0) of the neighbours at the given steps; nearer ones weigh more."""
        rows, columns = np.divmod(self._indices, self._shape[1])
        near, weight = [], []
        for dy, dx in steps:
            row, column = rows + dy * self._step, columns + dx * self._step
            inside = (row >= 0) & (row < self._shape[0]) & (column >= 0) & (column < self._shape[1])
            row, column = np.where(inside, row, 0), np.where(inside, column, 0)
            near.append(row * self._shape[1] + column)
            weight.append((inside & ~defects[row, column]) / np.hypot(dy, dx))
        return np.array(near, dtype=np.intp), np.array(weight, dtype=np.float64)

    def __call__(self, frame: Frame, out: Frame | None = None) -> Frame:
        """Return the repaired frame (same dtype) in `out`; `out=frame` repairs in place, None makes a copy."""
        if out is None:
            out = frame.copy()
        elif out is not frame:
            np.copyto(out, frame)
        if not self._indices.size:
            return out
        rows, columns = np.divmod(self._indices, self._shape[1])
        values = frame.reshape(-1, *frame.shape[2:])[self._near].astype(np.float32)
        weight = self._weight.reshape(*self._weight.shape, *([1] * (frame.ndim - 2)))
        mean = (values * weight).sum(axis=0)
        out[rows, columns] = mean if frame.dtype.kind == "f" else np.rint(mean)
        return out


def repair(frame: Frame, defects: NDArray[np.bool_], mosaic: str | None = None, out: Frame | None = None) -> Frame:
    """Return a frame whose defective pixels, and those that are not finite, are replaced; see `DefectRepair`."""
    if frame.dtype.kind == "f":
        finite = np.isfinite(frame)
        defects = defects | ~(finite if finite.ndim == 2 else finite.all(axis=2))
    return DefectRepair(defects, mosaic)(frame, out)
