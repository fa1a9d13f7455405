"""The image array of a FITS file: which unit and axes hold the frames, and their pixels as native numbers."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.fits_header import Unit, units
from stacker.capture.positioned import PositionedFile
from stacker.capture.sequence import CaptureError, Frame

_STORED = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
_COLOUR_AXIS = ("RGB", "COLOR", "COLOUR", "R,G,B", "R, G, B")


@dataclass(frozen=True)
class FrameAxes:
    """Where the pixels of one frame lie in the array."""

    width: int
    height: int
    count: int
    colour: bool = False
    interleaved: bool = False
    """Colours of a pixel lie side by side instead of in planes."""
    planes_outermost: bool = False
    """All red frames come first, then all green, then all blue."""


class FitsImage:
    """The frames of one FITS file, whole ones counted, read by place.

    Raises CaptureError where the file has no image, or only one that this program cannot read.
    """

    def __init__(self, file: PositionedFile, *, single: bool = False, signed: bool | None = None) -> None:
        """Find the image; `single` takes three planes as one colour picture, `signed` settles 16 bits without BZERO."""
        self.file = file
        self.unit, self.primary = _image_unit(file)
        self.axes = _frame_axes(self.unit, single)
        bits = int(self.unit.number("BITPIX") or 0)
        if bits not in _STORED:
            raise CaptureError(file.path, f"BITPIX {bits} is none of 8, 16, 32, 64, -32, -64", "write it anew")
        self.stored = np.dtype(_STORED[bits])
        self.zero = self.unit.number("BZERO") or 0.0
        scale = self.unit.number("BSCALE")
        self.scale = 1.0 if scale is None else scale
        self.blank = self.unit.number("BLANK") if bits > 0 else None
        self.turned = (self.unit.text("ROWORDER") or self.primary.text("ROWORDER") or "").upper() == "BOTTOM-UP"
        self._frame_bytes = self.axes.width * self.axes.height * (3 if self.axes.colour else 1) * self.stored.itemsize
        self._scratch = threading.local()
        self.count = self._whole_frames()
        self.unsigned_offset = bits == 16 and self.scale == 1 and self.zero == 32768
        plain = bits == 16 and self.scale == 1 and self.zero == 0
        self.has_negative = plain and (self._sees_negative() if signed is None else signed)

    @property
    def shape(self) -> tuple[int, ...]:
        """Return the frame's shape, colour last."""
        size = (self.axes.height, self.axes.width)
        return (*size, 3) if self.axes.colour else size

    @property
    def dtype(self) -> np.dtype[Any]:
        """Return uint8 or uint16 where the numbers are such, otherwise float32."""
        if self.scale == 1 and self.stored.itemsize == 1 and self.zero == 0:
            return np.dtype(np.uint8)
        plain = self.scale == 1 and self.stored.kind == "i" and self.stored.itemsize == 2
        if plain and (self.zero == 32768 or (self.zero == 0 and not self.has_negative)):
            return np.dtype(np.uint16)
        return np.dtype(np.float32)

    def fill(self, index: int, target: Frame) -> None:
        """Write frame `index` into `target` (shape and dtype of this image, any strides)."""
        raw = self._buffer()
        self._read(raw, index)
        stored = raw if self.axes.interleaved or not self.axes.colour else _interleaved(raw)
        if self.turned:
            stored = stored[::-1]
        if self.unsigned_offset:
            # Adding 32768 to a signed number flips its first bit; so read, numpy swaps the bytes while it copies.
            np.copyto(target, stored.view(">u2"))
            np.bitwise_xor(target, np.uint16(0x8000), out=target)
        elif target.dtype == np.uint16:
            np.copyto(target, np.maximum(stored, 0), casting="unsafe")
        else:
            np.copyto(target, self._scaled(stored), casting="unsafe")

    def _scaled(self, raw: NDArray[Any]) -> NDArray[Any]:
        """Return physical values, BZERO + BSCALE x stored (FITS 4.0, equation 3), NaN where BLANK."""
        if self.scale == 1 and self.zero == 0 and self.blank is None:
            return raw
        values = (raw * self.scale + self.zero).astype(np.float32)
        if self.blank is not None:
            values[raw == self.blank] = np.nan
        return values

    def _buffer(self) -> NDArray[Any]:
        """Return this thread's own buffer, shaped as one stored frame."""
        raw: NDArray[Any] | None = getattr(self._scratch, "raw", None)
        if raw is None:
            size = (self.axes.height, self.axes.width)
            shape = size if not self.axes.colour else ((*size, 3) if self.axes.interleaved else (3, *size))
            raw = self._scratch.raw = np.empty(shape, self.stored)
        return raw

    def _read(self, raw: NDArray[Any], index: int) -> None:
        parts = list(raw) if self.axes.planes_outermost else [raw]
        for plane, part in enumerate(parts):
            place = plane * self.axes.count + index if self.axes.planes_outermost else index
            if self.file.read_into(part, self.unit.data_offset + place * part.nbytes) < part.nbytes:
                raise CaptureError(self.file.path, "has become shorter while it was read", "process it again")

    def _whole_frames(self) -> int:
        present = max(0, self.file.size - self.unit.data_offset)
        if self.axes.planes_outermost:
            blue_begins = 2 * self.axes.count * (self._frame_bytes // 3)
            return max(0, min(self.axes.count, (present - blue_begins) // (self._frame_bytes // 3)))
        return min(self.axes.count, present // self._frame_bytes)

    def _sees_negative(self) -> bool:
        raw = self._buffer()
        for index in sorted({0, self.count // 2, self.count - 1} if self.count else ()):
            self._read(raw, index)
            if int(raw.min()) < 0:
                return True
        return False


def _interleaved(planes: NDArray[Any]) -> NDArray[Any]:
    """Return (3, H, W) as (H, W, 3); OpenCV moves bytes of one, two or four without asking what they mean."""
    if planes.itemsize > 4:
        return planes.transpose(1, 2, 0)
    import cv2

    code = {1: np.uint8, 2: np.uint16, 4: np.float32}[planes.itemsize]
    merged: NDArray[Any] = cv2.merge(list(planes.view(code)))
    return merged.view(planes.dtype)


def _image_unit(file: PositionedFile) -> tuple[Unit, Unit]:
    """Return the first unit that holds an image of at least two axes, and the primary unit."""
    primary: Unit | None = None
    for unit in units(file):
        if primary is None:
            if unit.cards.get("SIMPLE") is not True:
                raise CaptureError(file.path, "its FITS header says that it is not standard FITS", "write it anew")
            primary = unit
        if unit.cards.get("ZIMAGE") is True:
            raise CaptureError(file.path, "its image is tile-compressed", "unpack it to plain FITS first")
        is_image = unit is primary or unit.text("XTENSION") == "IMAGE"
        axes = unit.axes
        if is_image and len(axes) >= 2 and min(axes) > 0 and "GROUPS" not in unit.cards:
            return unit, primary
    raise CaptureError(file.path, "holds no image", "give a FITS file with a picture or a cube of frames")


def _frame_axes(unit: Unit, single: bool) -> FrameAxes:
    axes = list(unit.axes)
    while len(axes) > 2 and axes[-1] == 1:
        axes.pop()
    if len(axes) >= 3 and axes[0] == 3 and axes[1] > 3:
        return FrameAxes(axes[1], axes[2], int(np.prod(axes[3:], initial=1)), colour=True, interleaved=True)
    width, height, *outer = axes
    if not outer:
        return FrameAxes(width, height, 1)
    if len(outer) == 1:
        colour = outer[0] == 3 and (single or _names_colours(unit))
        return FrameAxes(width, height, 1 if colour else outer[0], colour=colour)
    if outer[0] == 3:
        return FrameAxes(width, height, int(np.prod(outer[1:])), colour=True)
    if outer[1:] == [3]:
        return FrameAxes(width, height, outer[0], colour=True, planes_outermost=True)
    return FrameAxes(width, height, int(np.prod(outer)))


def _names_colours(unit: Unit) -> bool:
    """Say whether the third axis is called a colour axis, by name or by its comment."""
    said = " ".join((unit.text(word) or "") for word in ("CTYPE3", "CNAME3", "COLORSPC"))
    return any(word in f"{said} {unit.comments.get('NAXIS3', '')}".upper() for word in _COLOUR_AXIS)
