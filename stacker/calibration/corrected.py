"""A capture whose frames are corrected as they are read; the stages behind it need not know."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.calibration.banding import BandRemoval
from stacker.calibration.corrections import Corrections, even_response
from stacker.calibration.defects import DefectRepair
from stacker.capture.derived import DerivedCapture
from stacker.capture.sequence import Capture, Frame
from stacker.fits_card import Value

_JUST_BELOW = 1 - 1e-4


class CorrectedCapture(DerivedCapture):
    """Frames in float32, in the camera's numbers: offset taken off, divided by the flat, bands and blind pixels mended.

    `full_scale` is where the converter's limit lies in the most sensitive part of the field after correction; what was
    at full scale elsewhere lies above it.
    """

    def __init__(
        self,
        raw: Capture,
        corrections: Corrections,
        notes: tuple[str, ...] = (),
        provenance: Mapping[str, tuple[Value, str]] | None = None,
        bands: BandRemoval | None = None,
    ) -> None:
        super().__init__(raw)
        self.corrections, self._bands = corrections, bands
        self.dtype = np.dtype(np.float32)
        self.full_scale = self._full_scale()
        self.notes = (*raw.notes, *corrections.notes, *notes)
        self.provenance = {**raw.provenance, **(provenance or {})}
        self._repair = DefectRepair(corrections.bad, raw.mosaic)
        self._threads = threading.local()

    def get_frame(self, index: int, out: Frame | None = None) -> Frame:
        """Return corrected frame `index`; see `Capture.get_frame`. Raises ValueError for an `out` that does not fit."""
        if out is not None and (out.shape != self.shape or out.dtype != self.dtype):
            raise ValueError(f"out must be {self.shape} {self.dtype}, not {out.shape} {out.dtype}")
        buffer: Frame | None = getattr(self._threads, "raw", None)
        self._threads.raw = self.raw.get_frame(index, out=buffer)
        return self.correct(self._threads.raw, out)

    def read(self, indices: Iterable[int]) -> Iterator[tuple[int, Frame]]:
        """Yield `(index, corrected frame)` for rising indices, read as the raw capture reads them."""
        return ((index, self.correct(frame)) for index, frame in self.raw.read(indices))

    def correct(self, frame: Frame, out: Frame | None = None) -> Frame:
        """Return a raw frame corrected, float32."""
        known = self.corrections
        target: NDArray[Any] = np.empty(self.shape, np.float32) if out is None else out
        if known.offset is None:
            np.copyto(target, frame)
        else:
            cv2.subtract(frame, known.offset, dst=target, dtype=cv2.CV_32F)
        if known.factor is not None:
            cv2.multiply(target, known.factor, dst=target)
        if self._bands is not None:
            self._bands(target)
        return self._repair(target, target)

    def _full_scale(self) -> float:
        if not np.isfinite(self.raw.full_scale):
            return self.raw.full_scale
        offset = self.corrections.offset
        least = 0.0 if offset is None else float(np.percentile(offset, 99))
        return (self.raw.full_scale - least) / even_response(self.corrections) * _JUST_BELOW
