"""What each used frame contributes to an average: carried to the common geometry, hits left out, patches weighed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.level import Inside
from stacker.alignment.record import Alignment
from stacker.capture.each_frame import each_frame
from stacker.capture.sequence import Capture, Frame
from stacker.ranking.record import Ranking
from stacker.settings import StackingSettings
from stacker.stacking.carrying import Carried, Carrier
from stacker.stacking.outliers import FEWEST_FRAMES, LEAST_SHARE, SAMPLE_FRAMES, Bounds, Sample, Share, shares_of
from stacker.stacking.preference import Preference, prefer

Array = NDArray[np.float32]


@dataclass(frozen=True)
class Contributor:
    """Turns the used frames of one capture into what they add."""

    carrier: Carrier
    bounds: Bounds | None
    preference: Preference | None

    @classmethod
    def of(
        cls, capture: Capture, ranking: Ranking, alignment: Alignment, settings: StackingSettings, workers: int
    ) -> Contributor:
        """Return the contributor of a capture; a sample of the frames is read to know what an outlier is."""
        carrier = Carrier.of(capture, alignment, settings)
        shape = carrier.warper.rows.shape
        preference = prefer(ranking, alignment.frames, shape, settings.patch_preference, settings.zoom)
        return cls(carrier, _bounds(capture, carrier, settings, workers), preference)

    def pivot(self, capture: Capture) -> Array:
        """Return an image of the stack's shape near which all frames lie: sums of differences from it stay precise."""
        if self.bounds is not None:
            return self.bounds.middle
        first = self.carrier.carry(0, capture.get_frame(int(self.carrier.alignment.frames[0])))
        return np.full(self.carrier.shape, usual_level(first.image, first.share), np.float32)

    def contribute(self, order: int, frame: Frame, with_gray: bool = False) -> tuple[Carried, int]:
        """Return used frame number `order` on the stack's pixels, and how many of its pixels were left out as hits."""
        seen = self.carrier.carry(order, frame, with_gray)
        image, share, hits = seen.image, seen.share, 0
        if self.bounds is not None:
            image, share, hits = self.bounds.judge(image, share)
        if self.preference is not None:
            share = _product(self.preference.weight(order), share)
        return replace(seen, image=image, share=share), hits


def spread_over(frames: int, most: int) -> set[int]:
    """Return at most `most` numbers below `frames`, evenly spread."""
    return set(np.linspace(0, frames - 1, min(frames, most)).astype(int).tolist())


def of_every_kind(figure: NDArray[np.float64], most: int) -> set[int]:
    """Return at most `most` places in an array (n,), evenly spread over its sorted values.

    The mean over them is all but that over all.
    """
    count = min(len(figure), most)
    ranks = ((np.arange(count) + 0.5) * len(figure) / count).astype(int)
    return set(np.argsort(figure, kind="stable")[ranks].tolist())


def usual_level(image: Array, share: Share) -> float:
    """Return the median of the pixels that a frame shows: what sums count from keeps their precision.

    A pixel that no frame shows keeps it: around a disc that is the sky, which a mean is not.
    """
    seen = image if share is None else image[shares_of(share, image.shape) > LEAST_SHARE]
    return float(np.median(seen)) if seen.size else 0.0


def _bounds(capture: Capture, carrier: Carrier, settings: StackingSettings, workers: int) -> Bounds | None:
    """Return what frames may show, from a sample spread over the capture; None where that is not wanted or known."""
    frames, sigmas = len(carrier.alignment.frames), settings.outlier_sigmas
    if sigmas == 0 or frames < FEWEST_FRAMES:
        return None
    # A mosaic has a quarter of the samples of a colour at a pixel.
    among = sorted(spread_over(frames, SAMPLE_FRAMES[settings.effort] * (1 if carrier.masks is None else 2)))
    indices = carrier.alignment.frames[among].tolist()
    sample = Sample(carrier.shape)
    for seen in each_frame(capture, indices, lambda place, frame: carrier.carry(among[place], frame), workers):
        sample.add(seen.image, seen.share)
    return sample.bounds(sigmas)


def _product(weight: Array, share: Share) -> Array:
    if share is None:
        return weight
    if isinstance(share, Inside):
        return np.where(share.mask, weight, np.float32(0))
    return share * (weight if share.ndim == 2 else weight[..., None])
