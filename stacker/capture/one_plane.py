"""A mono picture stored as three equal colours, as many programs save one: delivered as the one plane that it is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from stacker.capture.derived import DerivedCapture
from stacker.capture.sequence import Capture, Frame

_SAMPLED_FRAMES = 5


class OnePlaneCapture(DerivedCapture):
    """The green plane of a capture in full colour, everything else as it is."""

    def __init__(self, coloured: Capture) -> None:
        super().__init__(coloured)
        self.shape, self.mosaic = coloured.shape[:2], None
        self.notes = (*coloured.notes, "red, green and blue are equal in the file: taken as a mono capture")

    def get_frame(self, index: int, out: Frame | None = None) -> Frame:
        """Return frame `index` as (H, W); see `Capture.get_frame`. Raises ValueError for an `out` that does not fit."""
        target: Frame = np.empty(self.shape, self.dtype) if out is None else out
        if target.shape != self.shape or target.dtype != self.dtype:
            raise ValueError(f"out must be {self.shape} {self.dtype}, not {target.shape} {target.dtype}")
        np.copyto(target, self.raw.get_frame(index)[..., 1])
        return target

    def read(self, indices: Iterable[int]) -> Iterator[tuple[int, Frame]]:
        """Yield `(index, frame)` for rising indices, read as the capture in colour reads them."""
        for index, frame in self.raw.read(indices):
            plane: Any = np.ascontiguousarray(frame[..., 1])
            yield index, plane


def without_copies(capture: Capture) -> Capture:
    """Return a capture whose sampled frames have three equal colours as one plane, any other as it is.

    Where there is only one colour, nothing can be said of how colours differ: three equal ones would pass for perfect.
    Raises CaptureError where a sampled frame cannot be read.
    """
    if len(capture.shape) == 2:
        return capture
    for index in np.unique(np.linspace(0, len(capture) - 1, _SAMPLED_FRAMES).astype(int)):
        frame = capture.get_frame(int(index))
        if (frame != frame[..., :1]).any():
            return capture
    return OnePlaneCapture(capture)
