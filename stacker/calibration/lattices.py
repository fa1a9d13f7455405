"""The four lattices of a frame's 2x2 cells, brought onto one grid: a colour mosaic differs there, gray does not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture.sequence import Frame

Spectra = NDArray[np.complex64]
LARGEST_PX = 512
"""The middle of the frame up to this size is enough, and quick."""
BAND_CYC = 0.18
"""Frequencies in cycles per lattice pixel that are compared: there is nothing to alias into them from an optical image
sampled with 2.2 px per lambda/D or more."""
_SPIKE = 8.0
"""Mean distances from the median of 3x3 pixels that noise does not reach."""


@dataclass(frozen=True)
class LatticeGrid:
    """Geometry of the lattices of frames of one size."""

    top: int
    left: int
    shape: tuple[int, int]
    """(h, w) of a lattice."""
    windows: tuple[NDArray[np.float32], ...]
    band: NDArray[np.bool_]
    """(h, w // 2 + 1) of a lattice's spectrum: the modes that are compared, and kept."""
    phases: tuple[Spectra, ...]
    """(modes,) of the band, as all that follows."""
    frequency: NDArray[np.float32]
    """Cycles per lattice pixel."""
    rows: NDArray[np.float64]
    columns: NDArray[np.float64]
    """Cycles per lattice pixel along each axis."""

    @classmethod
    def over(cls, height: int, width: int) -> LatticeGrid:
        """Return the lattices of the middle of frames of (height, width) pixels."""
        used = [min(size // 2 * 2, LARGEST_PX) for size in (height, width)]
        top, left = ((size - part) // 4 * 2 for size, part in zip((height, width), used, strict=True))
        shape = used[0] // 2, used[1] // 2
        rows = np.fft.fftfreq(shape[0]).astype(np.float32)[:, None]
        columns = np.fft.rfftfreq(shape[1]).astype(np.float32)[None, :]
        tapers = [np.hanning(size + 2)[1:-1].astype(np.float32) for size in used]
        frequency = np.hypot(rows, columns).astype(np.float32)
        band = frequency < BAND_CYC
        windows, phases = [], []
        for row in (0, 1):
            for column in (0, 1):
                windows.append(np.outer(tapers[0][row::2], tapers[1][column::2]))
                along = (np.exp(-1j * np.pi * step * axis) for step, axis in ((row, rows), (column, columns)))
                phases.append(np.multiply(*(part.astype(np.complex64) for part in along))[band])
        axes = (np.broadcast_to(axis, band.shape)[band].astype(np.float64) for axis in (rows, columns))
        return cls(top, left, shape, tuple(windows), band, tuple(phases), frequency[band], *axes)

    def spectra(self, frame: Frame) -> Spectra:
        """Return the band of the spectra of the lattices (0,0), (0,1), (1,0), (1,1), as if on one grid: (4, modes)."""
        height, width = (2 * size for size in self.shape)
        part = frame[self.top : self.top + height, self.left : self.left + width]
        found = []
        for number, (window, phase) in enumerate(zip(self.windows, self.phases, strict=True)):
            row, column = divmod(number, 2)
            lattice = _without_spikes(np.ascontiguousarray(part[row::2, column::2]))
            found.append(np.fft.rfft2(lattice * window)[self.band] * phase)
        return np.asarray(found, np.complex64)


def _without_spikes(lattice: NDArray[Any]) -> NDArray[np.float32]:
    """Return a lattice in float32, hot and dead pixels replaced by the median around: they sit on one lattice only."""
    if lattice.dtype.kind == "f":
        lattice = np.nan_to_num(lattice, posinf=0, neginf=0)
    middle = cv2.medianBlur(lattice, 3)
    distance = cv2.absdiff(lattice, middle)
    limit = _SPIKE * cv2.mean(distance)[0]
    if cv2.minMaxLoc(distance)[1] > limit:
        np.copyto(lattice, middle, where=distance > limit)
    return lattice.astype(np.float32)
