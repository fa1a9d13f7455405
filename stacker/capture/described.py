"""What all readers share: checks of index and buffer, and settling header against sidecar."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.capture.depth import find_depth
from stacker.capture.sequence import Capture, CaptureError, Frame
from stacker.capture.sidecar import merge
from stacker.capture.timing import times_from_offsets

_SAMPLED_FRAMES = 5


@dataclass(frozen=True)
class Stored:
    """What the file itself says about its frames."""

    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    count: int
    lost: int = 0
    mosaic: str | None = None
    bits: int | None = None
    """Significant bits where the format names them."""
    full_scale: float | None = None
    """Saturation value where the format fixes it."""
    offsets_s: NDArray[np.float64] | None = None
    """Seconds of each frame after the first."""
    times_utc: NDArray[np.datetime64] | None = None
    """UTC of each frame where each has its own."""
    header: Circumstances = field(default_factory=Circumstances)
    notes: tuple[str, ...] = ()


class StoredCapture(Capture):
    """A capture whose reader knows what the file says; `describe` settles it against what the user declares."""

    def __init__(self, path: Path, stored: Stored, declared: Circumstances) -> None:
        if stored.count < 1:
            raise CaptureError(path, "holds no whole frame", "record it again or restore it from a copy")
        if min(stored.shape[:2]) < 4:
            said = f"has frames of {stored.shape[1]}x{stored.shape[0]} px, no pictures"
            raise CaptureError(path, said, "record at least 4x4 px")
        self.path, self.shape, self.dtype = path, stored.shape, stored.dtype
        self.frames_lost = stored.lost
        self._count = stored.count
        self.circumstances = merge(stored.header, declared)
        self._check_obstruction()
        self.times_utc = self._settle_times(stored, declared)
        self.notes = stored.notes
        if stored.lost:
            self.notes += (f"not whole in the file: {stored.lost} of {stored.count + stored.lost} frames",)
        self.mosaic = self._settle_mosaic(stored, declared)
        self._settle_depth(stored, declared)

    def __len__(self) -> int:
        return self._count

    def get_frame(self, index: int, out: Frame | None = None) -> Frame:
        """Return frame `index`; see `Capture.get_frame`. Raises ValueError for an `out` that does not fit."""
        if not 0 <= index < self._count:
            raise IndexError(f"frame {index} is outside 0..{self._count - 1}")
        target: Frame = np.empty(self.shape, self.dtype) if out is None else out
        if target.shape != self.shape or target.dtype != self.dtype:
            raise ValueError(f"out must be {self.shape} {self.dtype}, not {target.shape} {target.dtype}")
        self._fill(int(index), target)
        return target

    @abstractmethod
    def _fill(self, index: int, target: Frame) -> None:
        """Write frame `index` into `target`, which has the right shape and dtype but any strides."""

    def _check_obstruction(self) -> None:
        """Raise CaptureError for an obstruction that covers the aperture; header and sidecar may each say one."""
        if self.circumstances.obstruction_ratio >= 1:
            telescope = self.circumstances.telescope
            said = f"obstruction_mm {telescope.obstruction_mm:g} covers the aperture of {telescope.aperture_mm:g} mm"
            raise CaptureError(self.path, said, "mend the one or the other in the sidecar or the call")

    def _sampled_indices(self) -> list[int]:
        """Return a few frames, spread over the capture, from which the depth is judged."""
        return sorted({int(index) for index in np.linspace(0, self._count - 1, _SAMPLED_FRAMES)})

    def _settle_times(self, stored: Stored, declared: Circumstances) -> NDArray[np.datetime64] | None:
        if stored.times_utc is not None and declared.start_utc is None:
            return stored.times_utc
        offsets_s = stored.offsets_s
        if stored.times_utc is not None:
            offsets_s = (stored.times_utc - stored.times_utc[0]) / np.timedelta64(1, "s")
        if offsets_s is None and stored.count == 1:
            offsets_s = np.zeros(1)
        return times_from_offsets(self.circumstances.start_utc, offsets_s)

    def _settle_mosaic(self, stored: Stored, declared: Circumstances) -> str | None:
        if len(self.shape) == 2:
            return declared.camera.mosaic or stored.mosaic
        if declared.camera.mosaic:
            self.notes += (f"mosaic {declared.camera.mosaic} ignored: the frames are in full colour already",)
        return None

    def _settle_depth(self, stored: Stored, declared: Circumstances) -> None:
        samples = (self.get_frame(index) for index in self._sampled_indices())
        depth = find_depth(samples, declared.camera.bits or stored.bits or stored.header.camera.bits)
        self.bits = depth.bits
        self.full_scale = depth.full_scale if stored.full_scale is None else stored.full_scale
        if depth.note:
            self.notes += (depth.note,)
