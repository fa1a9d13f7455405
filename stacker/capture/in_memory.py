"""Frames that are in memory already, as a capture: for notebooks, and for what makes its frames itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from stacker.capture.circumstances import Circumstances
from stacker.capture.sequence import Capture, Frame

_NOWHERE = Circumstances()


class Film(Capture):
    """Frames (N, H, W) or (N, H, W, 3) in R, G, B, uint8, uint16 or float32, each at most (1 << bits) - 1.

    `bits` are those of the dtype where not said. Raises ValueError for any other array.
    """

    def __init__(
        self,
        frames: Frame,
        bits: int | None = None,
        *,
        mosaic: str | None = None,
        circumstances: Circumstances = _NOWHERE,
    ) -> None:
        if frames.dtype not in (np.uint8, np.uint16, np.float32) or not (
            len(frames) and (frames.ndim == 3 or frames.shape[3:] == (3,))
        ):
            raise ValueError(f"frames are {frames.shape} {frames.dtype}; give uint8, uint16 or float32 (N, H, W[, 3])")
        self.frames, self.path = frames, Path("film")
        self.shape, self.dtype, self.mosaic = frames.shape[1:], frames.dtype, mosaic
        self.bits = bits or 8 * frames.dtype.itemsize
        self.full_scale = float("inf") if frames.dtype == np.float32 else float((1 << self.bits) - 1)
        self.circumstances = circumstances
        self.frames_lost, self.times_utc, self.notes = 0, None, ()

    def __len__(self) -> int:
        return len(self.frames)

    def get_frame(self, index: int, out: Frame | None = None) -> Frame:
        """Return a copy of frame `index`; see `Capture.get_frame`."""
        if not 0 <= index < len(self):
            raise IndexError(f"frame {index} is outside 0..{len(self) - 1}")
        target: Frame = np.empty(self.shape, self.dtype) if out is None else out
        np.copyto(target, self.frames[index])
        return target
