"""FITS captures: a cube of frames in one file, or a folder of single frames."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from stacker.capture.circumstances import Circumstances
from stacker.capture.described import Stored, StoredCapture
from stacker.capture.fits_circumstances import (
    cadence_from_fits,
    circumstances_from_fits,
    mosaic_from_fits,
    start_from_fits,
)
from stacker.capture.fits_header import Unit
from stacker.capture.fits_image import FitsImage
from stacker.capture.positioned import PositionedFile
from stacker.capture.sequence import CaptureError, Frame
from stacker.capture.sidecar import merge


def _header(image: FitsImage) -> tuple[Unit, Circumstances]:
    """Return the image's cards over the primary's, and the circumstances that they tell."""
    cards = {**image.primary.cards, **image.unit.cards}
    unit = Unit(cards, image.unit.comments, image.unit.data_offset, image.unit.data_bytes)
    return unit, merge(circumstances_from_fits(image.primary), circumstances_from_fits(unit))


class FitsCube(StoredCapture):
    """Frames along the third axis of one FITS file; a two-dimensional image is one frame."""

    def __init__(self, path: Path, file: PositionedFile, declared: Circumstances) -> None:
        self._image = image = FitsImage(file)
        unit, header = _header(image)
        count = image.axes.count
        cadence_s = cadence_from_fits(unit, count)
        stored = Stored(
            shape=image.shape,
            dtype=image.dtype,
            count=image.count,
            lost=count - image.count,
            mosaic=mosaic_from_fits(unit, image.axes.height, image.turned),
            offsets_s=None if cadence_s is None else np.arange(image.count) * cadence_s,
            header=header,
            notes=_notes(image, unit),
        )
        super().__init__(path, stored, declared)

    def close(self) -> None:
        self._image.file.close()

    def _fill(self, index: int, target: Frame) -> None:
        self._image.fill(index, target)


def _notes(image: FitsImage, unit: Unit) -> tuple[str, ...]:
    notes: list[str] = []
    if image.turned:
        notes.append("rows are stored bottom-up and were turned, the mosaic with them")
    if image.unit.axes[2:] == (3,) and not image.axes.colour:
        notes.append("three planes without colour names are taken as three frames")
    if image.dtype == np.uint16 and not image.unsigned_offset:
        notes.append("signed 16-bit numbers: negative values, if any, are delivered as 0")
    if (unit.text("TIMESYS") or "UTC").upper() not in ("UTC", "UT", "GMT"):
        notes.append(f"times in {unit.text('TIMESYS')} are not used: UTC is needed")
    return tuple(notes)


class FitsFolder(StoredCapture):
    """A folder of FITS files, one frame each, all of one size and kind.

    Files are opened for each read, so that thousands of them do not exhaust the system's handles.
    """

    def __init__(self, path: Path, files: Sequence[Path], declared: Circumstances, notes: Sequence[str]) -> None:
        self._files = list(files)
        first = self._inspect(self._files[0])
        unit, header = _header(first)
        lost, starts = self._survey()
        times = np.array(starts, "datetime64[us]") if None not in starts else None
        if times is not None and (np.diff(times) <= np.timedelta64(0, "us")).any():
            times = None
        stored = Stored(
            shape=first.shape,
            dtype=self._kind,
            count=len(self._files),
            lost=lost,
            mosaic=mosaic_from_fits(unit, first.axes.height, first.turned),
            times_utc=times,
            header=header,
            notes=(*notes, *_notes(first, unit)),
        )
        super().__init__(path, stored, declared)

    def _survey(self) -> tuple[int, list[np.datetime64 | None]]:
        """Check every file against the rest; drop a last one that is still being written."""
        images = []
        lost = 0
        for number, name in enumerate(self._files):
            image = self._inspect(name)
            if image.axes.count != 1:
                raise CaptureError(name, f"holds {image.axes.count} frames", "process a cube as a capture of its own")
            if image.count == 0 and number == len(self._files) - 1 and number:
                lost = 1
            elif image.count == 0:
                raise CaptureError(name, "is cut short", "restore it or move it out of the folder")
            else:
                images.append((name, image.shape, image.dtype, start_from_fits(_header(image)[0])))
        common = Counter((shape, kind) for _, shape, kind, _ in images).most_common(1)[0][0]
        self._kind = common[1]
        for name, shape, kind, _ in images:
            if (shape, kind) != common:
                said = f"is {_size(shape)} {kind} where the others are {_size(common[0])} {common[1]}"
                raise CaptureError(name, said, "move it out of the folder")
        self._files = [name for name, *_ in images]
        return lost, [start for *_, start in images]

    def _inspect(self, name: Path) -> FitsImage:
        file = PositionedFile(name)
        try:
            return FitsImage(file)
        finally:
            file.close()

    def _fill(self, index: int, target: Frame) -> None:
        file = PositionedFile(self._files[index])
        try:
            FitsImage(file).fill(0, target)
        finally:
            file.close()


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[1]}x{shape[0]}" + (" colour" if len(shape) == 3 else "")
