"""The gray plane of a frame that drives the alignment: defects repaired, colours merged, brightness levelled."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.gray import Gray
from stacker.alignment.record import whole_offset
from stacker.alignment.region import Region
from stacker.calibration.defects import DefectRepair
from stacker.capture.each_frame import Frames, each_batch, each_frame
from stacker.capture.sequence import Capture, Frame
from stacker.ranking.plane import shrink

Array = NDArray[np.float32]
Result = TypeVar("Result")


SHOWN_BY = 0.1
"""Share of the frames that must show a row or column of a mean: more, and a target that frames cut is tied to the cut
(discs cut at 50 degrees from the zenith: .25 px rms for .3, .08 for .1)."""


@dataclass(frozen=True)
class Cut:
    """The region's part of one frame."""

    order: int
    """Place of the frame in the list of used frames."""
    plane: Array
    """(h, w), binned by `binning` already."""
    binning: int
    shift: NDArray[np.float64]
    """What the whole-pixel cut left of the coarse shift."""
    inside: tuple[float, float, float, float]
    """First and last row and column (top, left, bottom, right) of the cut that the frame really covers."""

    def bounds(self, binning: int) -> tuple[float, float, float, float]:
        """Return `inside` in the pixels of a binning."""
        top, left, bottom, right = ((edge + 0.5) / binning - 0.5 for edge in self.inside)
        return top, left, bottom, right

    def binned(self, binning: int) -> Array:
        """Return the plane in the pixels of a binning."""
        return shrink(self.plane, binning // self.binning)


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
    finest: int
    """Binning of the finest level that looks at the cuts."""
    spread_px: NDArray[np.float64] = field(default_factory=lambda: np.zeros((3, 2)))
    """(3, 2) where each colour stands (down, right)."""

    @property
    def gray(self) -> Gray | None:
        """How colours are merged; None for mono."""
        colour = self.capture.mosaic is not None or len(self.capture.shape) == 3
        return Gray(self.capture.mosaic, self.spread_px) if colour else None

    @property
    def binning(self) -> int:
        """Binning of the cuts: 1, or 2 for a mosaic where nothing finer is looked at."""
        return 2 if self.capture.mosaic and self.finest > 1 else 1

    def cut(self, order: int, frame: Frame) -> Cut:
        """Return one frame's cut."""
        coarse = self.coarse_px[order]
        offset = whole_offset(coarse)
        plane = self._mended(frame, order)
        top, left = self.region.top + offset[0], self.region.left + offset[1]
        inside = -top, -left, plane.shape[0] - 1 - top, plane.shape[1] - 1 - left
        gray = self.gray
        if gray is None:
            return Cut(order, self.region.cut(plane, offset), 1, coarse - offset, inside)
        merged = gray.plane(plane, (top, left), self._cut_shape, self.binning)
        return Cut(order, merged, self.binning, coarse - offset, inside)

    def _mended(self, frame: Frame, order: int) -> Array:
        plane = frame.astype(np.float32)
        self.repair(plane, out=plane)
        plane *= np.float32(self.scale[order])
        return plane

    @property
    def _cut_shape(self) -> tuple[int, int]:
        return self.region.shape[0] // self.binning, self.region.shape[1] // self.binning

    def mean_colours(self, orders: Sequence[int]) -> list[Array]:
        """Return the mean (h, w) of each colour over some frames, moved to where the tracking saw them stand.

        Each pixel averages the frames that show it; only the part of the region is returned that some of them show.
        """
        gray, binning, shape = self.gray, self.binning, self._cut_shape
        assert gray is not None
        corners = np.array([self.region.top, self.region.left]) + self.coarse_px[list(orders)]
        first = np.clip(np.ceil(-corners / binning), 0, shape).astype(int)
        last = np.clip(np.floor((np.array(self.capture.shape[:2]) - corners) / binning), first, shape).astype(int)
        shown = [tuple(map(slice, *ends)) for ends in zip(first.tolist(), last.tolist(), strict=True)]

        def colours(place: int, frame: Frame) -> list[Array]:
            raw = self._mended(frame, orders[place])
            down, right = corners[place] + binning * first[place]
            height, width = last[place] - first[place]
            return gray.planes(raw, (float(down), float(right)), (int(height), int(width)), binning)

        indices = self.frames[list(orders)].tolist()
        total, cover = [np.zeros(shape, np.float32) for _ in range(3)], np.zeros(shape, np.float32)
        for part, planes in zip(shown, each_frame(self.capture, indices, colours, self.workers), strict=True):
            cover[part] += 1
            for whole, plane in zip(total, planes, strict=True):
                whole[part] += plane
        some = int(SHOWN_BY * len(orders))
        box = tuple(map(slice, np.sort(first, 0)[some].tolist(), np.sort(last, 0)[-1 - some].tolist()))
        return [np.asarray(whole[box] / np.maximum(cover[box], 1), np.float32) for whole in total]

    def each_batch(
        self,
        work: Callable[[Iterable[Cut]], Result],
        progress: Callable[[int, int], None] | None = None,
        orders: Sequence[int] | None = None,
        quick: bool = False,
    ) -> Iterator[Result]:
        """Yield `work(cuts)` for a few frames after the other: of all used ones, or of places `orders` (rising).

        `quick` as for the captures' own `each_batch`.
        """
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

        for last, result in each_batch(self.capture, indices, look, self.workers, quick):
            yield result
            if progress:
                progress(last + 1, len(self.frames))
