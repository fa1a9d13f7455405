"""The stacks of the best part of the frames, for many parts at once: one pass, in bounded memory.

Every frame is carried once and added to the sum of the smallest part that it belongs to; running totals over those sums
are the stacks. Weights and halves are those of the whole stack.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.blas_threads import one_blas_thread
from stacker.capture.each_frame import each_frame
from stacker.capture.sequence import Capture, Frame
from stacker.ranking.record import Ranking
from stacker.ranking.selection import choose_frames
from stacker.settings import StackingSettings
from stacker.stacking.carrying import Carried
from stacker.stacking.contributing import Contributor, usual_level
from stacker.stacking.outliers import shares_of

Array = NDArray[np.float32]
Box = tuple[slice, slice]
FEWEST_OF_A_HALF = 3


@dataclass(frozen=True)
class Portion:
    """The stack of the best part of the frames inside a box, green where there are colours."""

    keep_percent: float
    frames: int
    effective_frames: float
    """(sum of weights)^2 / sum of squared weights."""
    image: Array
    """(h, w) on the common geometry."""
    half_a: Array
    """(h, w) of one half of the frames, on the geometry of its own reference."""
    half_b: Array


@dataclass
class _Sums:
    """Weighted sums of one half's frames that join at one step."""

    total: Array
    cover: Array | None = None
    everywhere: float = 0.0

    def add(self, difference: Array, weight: float, share: Array | None) -> None:
        if share is None:
            self.everywhere += weight
            cv2.scaleAdd(difference, weight, self.total, dst=self.total)
            return
        if self.cover is None:
            self.cover = np.zeros_like(self.total)
        cv2.scaleAdd(difference * share, weight, self.total, dst=self.total)
        cv2.scaleAdd(share, weight, self.cover, dst=self.cover)

    def take(self, other: _Sums) -> None:
        self.total += other.total
        self.everywhere += other.everywhere
        if other.cover is not None:
            self.cover = other.cover.copy() if self.cover is None else self.cover + other.cover

    def weight(self) -> Array | float:
        return self.everywhere if self.cover is None else self.cover + np.float32(self.everywhere)


@one_blas_thread()
def stack_portions(
    capture: Capture,
    ranking: Ranking,
    alignment: Alignment,
    percents: Sequence[float],
    box: Box,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
    settings: StackingSettings | None = None,
) -> Iterator[Portion]:
    """Return, one by one, the stacks of the best `percents` (rising) of the usable frames inside `box` of the stack.

    `alignment` must hold all usable frames. A step of fewer than three frames a half, or that adds none to the one
    before, is left out. The result does not depend on `workers`; memory holds two images of the box's size a step.
    """
    settings = settings or StackingSettings()
    shares = _rising(ranking, alignment, percents)
    if not shares:
        return iter(())
    step_of = np.full(len(alignment.frames), len(shares))
    for step in reversed(range(len(shares))):
        step_of[shares[step][1]] = step
    contributor = Contributor.of(capture, ranking, alignment, settings, workers)
    shape = tuple(side.stop - side.start for side in box)
    sums = [[_Sums(np.zeros(shape, np.float32)) for _ in (0, 1)] for _ in shares]

    def work(order: int, frame: Frame) -> tuple[float, Array, Array | None]:
        seen, _ = contributor.contribute(order, frame)
        return usual_level(seen.image, seen.share) if order == 0 else 0.0, *_green_inside(seen, box)

    level = 0.0
    weights = alignment.weight / alignment.weight.max()
    for order, (mean, image, share) in enumerate(each_frame(capture, alignment.frames.tolist(), work, workers)):
        level = mean if order == 0 else level
        if step_of[order] < len(shares):
            sums[step_of[order]][alignment.half[order]].add(image - np.float32(level), float(weights[order]), share)
        if progress:
            progress(order + 1, len(alignment.frames))
    maps = [_own_geometry(contributor, alignment, half, box) for half in (0, 1)]
    return _running(shares, sums, maps, alignment.weight, level)


def _rising(ranking: Ranking, alignment: Alignment, percents: Sequence[float]) -> list[tuple[float, NDArray[np.intp]]]:
    """Return (percent, places among the used frames) of each step that can be measured."""
    place = {int(frame): order for order, frame in enumerate(alignment.frames)}
    shares: list[tuple[float, NDArray[np.intp]]] = []
    for percent in percents:
        chosen, _ = choose_frames(ranking, percent)
        orders = np.array([place[int(frame)] for frame in chosen if int(frame) in place], np.intp)
        of_half = [int((alignment.half[orders] == half).sum()) for half in (0, 1)]
        if min(of_half) >= FEWEST_OF_A_HALF and (not shares or len(orders) > len(shares[-1][1])):
            shares.append((float(percent), orders))
    return shares


def _green_inside(seen: Carried, box: Box) -> tuple[Array, Array | None]:
    image = seen.image if seen.image.ndim == 2 else seen.image[..., 1]
    share = None if seen.share is None else shares_of(seen.share, seen.image.shape)
    inside = None if share is None else np.ascontiguousarray((share if share.ndim == 2 else share[..., 1])[box])
    return np.ascontiguousarray(image[box]), None if inside is None or inside.min() >= 1.0 else inside


def _running(
    shares: list[tuple[float, NDArray[np.intp]]],
    sums: list[list[_Sums]],
    maps: list[tuple[Array, Array]],
    weights: NDArray[np.float64],
    level: float,
) -> Iterator[Portion]:
    """Yield the portions from the sums of what joins at each step."""
    running = sums.pop(0)
    for step, (percent, orders) in enumerate(shares):
        if step:
            for half, joining in enumerate(sums.pop(0)):
                running[half].take(joining)
        means = [part.total / np.maximum(part.weight(), 1e-9) for part in running]
        image = sum(part.total for part in running) / np.maximum(sum(part.weight() for part in running), 1e-9)
        halves = [
            cv2.remap(mean, columns, rows, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
            for mean, (rows, columns) in zip(means, maps, strict=True)
        ]
        a, b, whole = (np.asarray(part + np.float32(level), np.float32) for part in (*halves, image))
        weight = weights[orders]
        yield Portion(percent, len(orders), float(weight.sum() ** 2 / (weight**2).sum()), whole, a, b)


def _own_geometry(contributor: Contributor, alignment: Alignment, half: int, box: Box) -> tuple[Array, Array]:
    """Return the maps (rows, columns) inside the box that lay a half on the geometry of its own reference."""
    warper = contributor.carrier.warper
    dy, dx = (part[box] * np.float32(warper.zoom) for part in warper.field(-alignment.half_warp[half]))
    rows, columns = np.indices(dy.shape, np.float32)
    return rows + dy, columns + dx
