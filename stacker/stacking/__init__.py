"""Average the aligned frames: weighted mean, its variance, its coverage and two independent halves."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.blas_threads import one_blas_thread
from stacker.capture.each_frame import each_batch
from stacker.capture.sequence import Capture, Frame
from stacker.interpolation import interpolate
from stacker.ranking.record import Ranking
from stacker.settings import StackingSettings
from stacker.stacking.accumulator import Accumulator
from stacker.stacking.carrying import Carrier
from stacker.stacking.contributing import Contributor, of_every_kind
from stacker.stacking.record import Stack
from stacker.stacking.warping import Warper

__all__ = ["Stack", "stack", "zoomed_mask"]

Array = NDArray[np.float32]
MOST_SPECTRA = {"full": 120, "quick": 60}
"""Frames whose power is measured, of every gain: 120 of 200 picked so let the sharpening come as close to its best as
all of them; picked evenly in time they did not (1.39 instead of 1.11 times the error of the best filter)."""
STOOD_STILL = "the frames move too little to fill the grid of every colour with raw samples: each frame was demosaiced"
WORTH_TELLING = 1e-4
"""Share of a frame's pixels left out that is a trail or a tear, not a lone hit."""


class PowerMeter(Protocol):
    """Sums and averages the power spectra of frames."""

    def nothing(self) -> Array:
        """Return the sum over no frames."""

    def add(self, frame_dewarped: Array, weight: float, squares: NDArray[np.floating]) -> None:
        """Add the power of a frame (H, W) to a sum."""

    def mean(self, squares: NDArray[np.floating], weight: float) -> Array:
        """Return the mean power of frames of so much weight together."""


@one_blas_thread()
def stack(
    capture: Capture,
    ranking: Ranking,
    alignment: Alignment,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
    power_meter: PowerMeter | None = None,
    settings: StackingSettings | None = None,
) -> Stack:
    """Return the weighted mean of the aligned frames on the anchor frame's pixels, (H, W) or (H, W, 3).

    A pixel averages the frames that saw it and that fit what the others show; mosaic frames are averaged sample by
    sample, colour by colour, or demosaiced one by one where they move too little for that.

    With `settings.zoom` above 1 the pixels are finer and hold the same brightness.
    `power_meter` looks at the power of dewarped (H, W) frames, green where there are colours; the mean over a sample of
    the frames is handed on. `progress(done, total)` is called after every few frames. The result does not
    depend on `workers`.
    """
    settings = settings or StackingSettings()
    frames, total = alignment.frames.tolist(), len(alignment.frames)
    contributor = Contributor.of(capture, ranking, alignment, settings, workers)
    carrier, pivot = contributor.carrier, contributor.pivot(capture)
    sampled = of_every_kind(alignment.gain, MOST_SPECTRA[settings.effort])

    def add_up(batch: Iterable[tuple[int, Frame]]) -> _Batch:
        few = _Batch(Accumulator(carrier.shape, single=True), power_meter.nothing() if power_meter else None)
        for order, frame in batch:
            meter = power_meter if order in sampled else None
            seen, hits = contributor.contribute(order, frame, with_gray=meter is not None)
            weight = float(alignment.weight[order])
            if meter and few.power is not None:
                meter.add(seen.gray, weight, few.power)
                few.weighed += weight
            difference = np.asarray(cv2.subtract(seen.image, pivot, dst=seen.image), np.float32)
            few.sums.add(int(alignment.half[order]), difference, weight, seen.share)
            few.hits.append(hits)
        return few

    whole = _Batch(Accumulator(carrier.shape), power_meter.nothing().astype(np.float64) if power_meter else None)
    for few in each_batch(capture, frames, add_up, workers):
        whole.take(few)
        del few  # Or it would stay while the next is added up.
        if progress:
            progress(len(whole.hits), total)
    notes = (*alignment.notes, *_told(np.array(whole.hits), int(np.prod(carrier.shape))))
    if carrier.is_demosaiced:
        notes = (*notes, STOOD_STILL)
    power = power_meter.mean(whole.power, whole.weighed) if power_meter and whole.power is not None else None
    return _finish(whole, power, pivot, alignment, ranking, carrier, len(capture), notes)


@dataclass
class _Batch:
    """What some of the frames add up to."""

    sums: Accumulator
    power: NDArray[np.float32] | NDArray[np.float64] | None
    """The meter's sum over those that were looked at."""
    weighed: float = 0.0
    """Sum of their weights."""
    hits: list[int] = field(default_factory=list)
    """Pixels left out, frame by frame."""

    def take(self, other: _Batch) -> None:
        """Add what other frames add up to."""
        self.sums.take(other.sums)
        if self.power is not None and other.power is not None:
            self.power += other.power
            self.weighed += other.weighed
        self.hits += other.hits


def _told(hit: NDArray[np.intp], pixels: int) -> list[str]:
    """Return what the user should know about what was left out."""
    spoilt = hit > WORTH_TELLING * pixels
    if not spoilt.any():
        return []
    share = 100 * hit[spoilt].sum() / (pixels * int(spoilt.sum()))
    frames = int(spoilt.sum())
    verb = "shows" if frames == 1 else "show"
    return [f"{frames} of {len(hit)} frames {verb} what the others do not; there {share:.2g} % was left out"]


def _finish(
    whole: _Batch,
    frame_power: Array | None,
    pivot: Array,
    alignment: Alignment,
    ranking: Ranking,
    carrier: Carrier,
    frames: int,
    notes: tuple[str, ...],
) -> Stack:
    sums, warper = whole.sums, carrier.warper
    weights = np.zeros(frames)
    weights[alignment.frames] = alignment.weight
    halves = [unbent(pivot + sums.mean(half), alignment, warper, half) for half in (0, 1)]
    if not (alignment.half == 1).any():
        halves[1] = np.zeros_like(halves[0])
        notes = (*notes, "too few frames for two halves: resolution and noise cannot be measured")
    return Stack(
        image=pivot + sums.mean(),
        variance=sums.variance(),
        coverage=sums.coverage(),
        half_a=halves[0],
        half_b=halves[1],
        mask=zoomed_mask(ranking.target.mask, warper.zoom),
        kind=ranking.target.kind,
        frame_power=frame_power,
        weights=weights,
        share_a=float(alignment.weight[alignment.half == 0].sum() / alignment.weight.sum()),
        notes=notes,
        kernel=carrier.kernel,
        zoom=warper.zoom,
    )


def zoomed_mask(mask: NDArray[np.bool_], zoom: float) -> NDArray[np.bool_]:
    """Return a camera-sized mask (H, W) on the stack's pixels."""
    if zoom == 1:
        return mask
    matrix = np.array([[1 / zoom, 0, 0.5 / zoom - 0.5], [0, 1 / zoom, 0.5 / zoom - 0.5]])
    size = int(mask.shape[1] * zoom), int(mask.shape[0] * zoom)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    share = cv2.warpAffine(mask.astype(np.float32), matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(share > 0.5)


def unbent(image: Array, alignment: Alignment, warper: Warper, half: int) -> Array:
    """Return a half-stack on its own geometry, so that what the halves disagree about the geometry counts as noise."""
    zoom = np.float32(warper.zoom)
    dy, dx = (part * zoom for part in warper.field(-alignment.half_warp[half]))
    rows, columns = np.indices(dy.shape, np.float32)
    return interpolate(image, (rows + dy, columns + dx), "cubic")
