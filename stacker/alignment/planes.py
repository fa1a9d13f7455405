"""The gray plane of a frame that drives the alignment: defects repaired, colours merged, brightness levelled."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import whole_offset
from stacker.alignment.region import Region
from stacker.calibration.defects import DefectRepair
from stacker.capture.each_frame import Frames, each_batch
from stacker.capture.mosaic import luminance
from stacker.capture.sequence import Capture, Frame

Array = NDArray[np.float32]
Result = TypeVar("Result")


@dataclass(frozen=True)
class Cut:
    """The region's part of one frame."""

    order: int
    """Place of the frame in the list of used frames."""
    plane: Array
    """(h, w) at full size."""
    shift: NDArray[np.float64]
    """What the whole-pixel cut left of the coarse shift."""
    inside: tuple[float, float, float, float]
    """First and last row and column (top, left, bottom, right) of the cut that the frame really covers."""

    def bounds(self, binning: int) -> tuple[float, float, float, float]:
        """Return `inside` in the pixels of a binning."""
        top, left, bottom, right = ((edge + 0.5) / binning - 0.5 for edge in self.inside)
        return top, left, bottom, right


@dataclass(frozen=True)
class PlaneSource:
    """Cuts of a capture's frames, read in order and worked on in batches."""

    capture: Capture
    repair: DefectRepair
    region: Region
    frames: NDArray[np.intp]
    coarse_px: NDArray[np.float64]
    scale: NDArray[np.float64]
    """(M,) factor that levels each frame's brightness."""
    workers: int

    def cut(self, order: int, frame: Frame) -> Cut:
        """Return one frame's cut."""
        coarse = self.coarse_px[order]
        offset = whole_offset(coarse)
        raw = frame.astype(np.float32)
        plane = luminance(self.repair(raw, out=raw), self.capture.mosaic)
        plane *= np.float32(self.scale[order])
        height, width = plane.shape
        top, left = self.region.top + offset[0], self.region.left + offset[1]
        inside = -top, -left, height - 1 - top, width - 1 - left
        return Cut(order, self.region.cut(plane, offset), coarse - offset, inside)

    def each_batch(
        self,
        work: Callable[[Iterable[Cut]], Result],
        progress: Callable[[int, int], None] | None = None,
        orders: Sequence[int] | None = None,
    ) -> Iterator[Result]:
        """Yield `work(cuts)` for a few frames after the other: of all used ones, or of places `orders` (rising)."""
        chosen = range(len(self.frames)) if orders is None else orders
        indices = self.frames[list(chosen)].tolist()

        def look(batch: Frames) -> tuple[int, Result]:
            last = 0

            def cuts() -> Iterator[Cut]:
                nonlocal last
                for place, frame in batch:
                    last = chosen[place]
                    yield self.cut(last, frame)

            result = work(cuts())
            return last, result

        for last, result in each_batch(self.capture, indices, look, self.workers):
            yield result
            if progress:
                progress(last + 1, len(self.frames))
