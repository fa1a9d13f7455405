"""FITS captures: a cube of frames in one file, or a folder of single frames."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

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
            offsets_s=None if cadence_s is None else np.arange(image.count, dtype=np.float64) * cadence_s,
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
        surveyed = _survey_folder(files)
        self._files = [name for name, _ in surveyed]
        # Some frames with negative numbers make all of them float, so that the folder has one kind.
        self._signed = any(image.has_negative for _, image in surveyed)
        first = self._open_image(0)
        first.file.close()
        unit, header = _header(first)
        stored = Stored(
            shape=first.shape,
            dtype=first.dtype,
            count=len(surveyed),
            lost=len(files) - len(surveyed),
            mosaic=mosaic_from_fits(unit, first.axes.height, first.turned),
            times_utc=_rising_times([start_from_fits(_header(image)[0]) for _, image in surveyed]),
            header=header,
            notes=(*notes, *_notes(first, unit)),
        )
        super().__init__(path, stored, declared)

    def _open_image(self, index: int) -> FitsImage:
        return FitsImage(PositionedFile(self._files[index]), single=True, signed=self._signed)

    def _fill(self, index: int, target: Frame) -> None:
        image = self._open_image(index)
        try:
            image.fill(0, target)
        finally:
            image.file.close()


def _survey_folder(files: Sequence[Path]) -> list[tuple[Path, FitsImage]]:
    """Return every whole frame with its (closed) image; only a last one, still being written, may be cut short."""
    surveyed = []
    for name in files:
        file = PositionedFile(name)
        try:
            image = FitsImage(file, single=True)
        except CaptureError:
            if name != files[-1] or len(files) == 1:
                raise
            continue
        finally:
            file.close()
        if image.axes.count != 1:
            advice = "name a cube as a capture of its own; 'stillair night' takes all that are in a folder"
            raise CaptureError(name, f"holds {image.axes.count} frames", advice)
        if image.count == 1:
            surveyed.append((name, image))
        elif name != files[-1] or len(files) == 1:
            raise CaptureError(name, "is cut short", "restore it or move it out of the folder")
    common = Counter(_kind(image) for _, image in surveyed).most_common(1)[0][0]
    for name, image in surveyed:
        if _kind(image) != common:
            raise CaptureError(name, f"is {_kind(image)} where the others are {common}", "move it out of the folder")
    return surveyed


def _rising_times(starts: list[np.datetime64 | None]) -> NDArray[np.datetime64] | None:
    """Return UTC of each frame where every header has its own, one after the other."""
    if None in starts:
        return None
    times = np.array(starts, "datetime64[us]")
    return times if (np.diff(times) > np.timedelta64(0, "us")).all() else None


def _kind(image: FitsImage) -> str:
    """Return size and number format in words; frames of one folder must agree in it."""
    colour = " colour" if image.axes.colour else ""
    bits = int(image.unit.number("BITPIX") or 0)
    return f"{image.axes.width}x{image.axes.height}{colour} BITPIX {bits} BZERO {image.zero:g}"
