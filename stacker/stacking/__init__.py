"""Average the aligned frames: weighted mean, its variance, its coverage and two independent halves."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.blas_threads import one_blas_thread
from stacker.capture.sequence import Capture, Frame
from stacker.parallel import ordered_map
from stacker.ranking.record import Ranking
from stacker.stacking.accumulator import Accumulator
from stacker.stacking.record import Stack
from stacker.stacking.warping import Warper, carry, carry_mosaic, colour_masks, green_of

__all__ = ["Stack", "stack"]

Array = NDArray[np.float32]
MOST_SPECTRA = 200


@one_blas_thread()
def stack(
    capture: Capture,
    ranking: Ranking,
    alignment: Alignment,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
    power_of: Callable[[Array], Array] | None = None,
) -> Stack:
    """Return the weighted mean of the aligned frames on the anchor frame's pixels, (H, W) or (H, W, 3).

    A pixel averages the frames that saw it; mosaic frames are averaged sample by sample, colour by colour.
    `power_of` turns a dewarped (H, W) frame, green where there are colours, into its power spectrum; the mean over at
    most 200 frames is handed on. `progress(done, total)` is called after each frame. The result does not depend on
    `workers`.
    """
    shape = (capture.shape[0], capture.shape[1])
    warper = Warper.over(alignment, shape)
    masks = colour_masks(shape, capture.mosaic) if capture.mosaic else None
    colour = masks is not None or len(capture.shape) == 3
    pivot = np.zeros((*shape, 3) if colour else shape, np.float32)

    sampled = set(
        np.linspace(0, len(alignment.frames) - 1, min(len(alignment.frames), MOST_SPECTRA)).astype(int).tolist()
    )

    def work(item: tuple[int, Frame]) -> tuple[int, Array, Array | None, Array | None]:
        order, frame = item
        plane = alignment.repair(frame).astype(np.float32)
        plane *= np.float32(alignment.scale[order])
        maps = warper.maps(order)
        image, weights = carry(plane, maps) if masks is None else carry_mosaic(plane, masks, maps)
        if power_of is None or order not in sampled:
            return order, image, weights, None
        gray = carry(green_of(plane, capture.mosaic), maps)[0] if masks is not None else image
        return order, image, weights, power_of(gray if gray.ndim == 2 else gray[..., 1])

    orders = {int(frame): order for order, frame in enumerate(alignment.frames)}
    reading = ((orders[index], frame) for index, frame in capture.read(alignment.frames.tolist()))
    sums: Accumulator | None = None
    power: NDArray[np.float64] = np.zeros(())
    weighed = 0.0
    for done, (order, image, weights, spectrum) in enumerate(ordered_map(work, reading, workers)):
        if sums is None:
            pivot += image.mean() if masks is None or weights is None else image.sum() / max(float(weights.sum()), 1.0)
            sums = Accumulator(pivot.shape, pivot)
        half, weight = int(alignment.half[order]), float(alignment.weight[order])
        if masks is None or weights is None:
            sums.add(half, image, weight, weights)
        else:
            sums.add_samples(half, image, weights, weight)
        if spectrum is not None:
            power, weighed = power + weight * spectrum, weighed + weight
        if progress:
            progress(done + 1, len(alignment.frames))
    assert sums is not None, "a ranking with no usable frame does not get here"
    frame_power = np.asarray(power / weighed, np.float32) if weighed else None
    return _finish(sums, alignment, ranking, warper, len(capture), frame_power)


def _finish(
    sums: Accumulator, alignment: Alignment, ranking: Ranking, warper: Warper, frames: int, frame_power: Array | None
) -> Stack:
    weights = np.zeros(frames)
    weights[alignment.frames] = alignment.weight
    notes = alignment.notes
    halves = [_unbent(sums.mean(half), alignment, warper, half) for half in (0, 1)]
    if not (alignment.half == 1).any():
        halves[1] = np.zeros_like(halves[0])
        notes = (*notes, "too few frames for two halves: resolution and noise cannot be measured")
    return Stack(
        image=sums.mean(),
        variance=sums.variance(),
        coverage=np.where(sums.weight() > 0, sums.coverage(), 0).astype(np.float32),
        half_a=halves[0],
        half_b=halves[1],
        mask=ranking.target.mask,
        kind=ranking.target.kind,
        frame_power=frame_power,
        weights=weights,
        notes=notes,
    )


def _unbent(image: Array, alignment: Alignment, warper: Warper, half: int) -> Array:
    """Return a half-stack on its own geometry, so that what the halves disagree about the geometry counts as noise."""
    dy, dx = warper.field(-alignment.half_warp[half])
    return np.asarray(
        cv2.remap(image, warper.columns + dx, warper.rows + dy, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT),
        np.float32,
    )
