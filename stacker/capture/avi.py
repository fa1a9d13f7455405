"""Uncompressed AVI, read straight from its place in the file."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.capture.described import Stored, StoredCapture
from stacker.capture.positioned import PositionedFile
from stacker.capture.riff import AviIndex
from stacker.capture.sequence import CaptureError, Frame

_DEVICE_INDEPENDENT = (b"\0\0\0\0", b"DIB ", b"RGB ", b"RAW ")
"""Bitmap rows: bottom-up where the height is positive, padded to four bytes."""
_GRAY = {b"Y800": 8, b"Y8  ": 8, b"GREY": 8, b"Y8\0\0": 8, b"Y10 ": 10, b"Y12 ": 12, b"Y14 ": 14, b"Y16 ": 16}
_GRAY |= {b"Y1\0\x0a": 10, b"Y1\0\x0c": 12, b"Y1\0\x0e": 14, b"Y1\0\x10": 16}
"""Four-character codes in use for gray, with FFmpeg's own; common practice, no source."""
_MOSAIC_8 = {b"BA81": "BGGR", b"BGGR": "BGGR", b"RGGB": "RGGB", b"GRBG": "GRBG", b"GBRG": "GBRG"}
_MOSAIC_16 = {b"BYR2": "BGGR", b"RG16": "RGGB", b"GR16": "GRBG", b"GB16": "GBRG"}
_MOSAIC_LETTERS = {"BG": "BGGR", "RG": "RGGB", "GR": "GRBG", "BA": "GRBG", "GB": "GBRG"}


@dataclass(frozen=True)
class PixelLayout:
    """How one frame's bytes become an array."""

    dtype: np.dtype[Any]
    samples: int = 1
    bits: int | None = None
    mosaic: str | None = None
    blue_first: bool = False
    bottom_up: bool = False
    row_bytes: int = 0


def pixel_layout(index: AviIndex) -> PixelLayout | None:
    """Return how the frames of `index` are stored, or None where they are compressed or of an unknown kind.

    The payload's size, not the header's bit count, decides between one and two bytes a pixel: 10, 12 and
    14 bits are stored in 16, and plain bitmaps of 16 bits are gray here (no camera delivers five bits a colour).
    """
    if not index.sizes or index.width < 1 or index.height == 0:
        return None
    code, size = index.compression, max(index.sizes[0], index.sizes[len(index.sizes) // 2])
    bitmap = code in _DEVICE_INDEPENDENT
    guess = _bitmap_pixels(index.bit_count) if bitmap else _coded_pixels(code)
    if guess is None:
        return None
    height = abs(index.height)
    tight = index.width * guess.samples * guess.dtype.itemsize
    padded = (tight + 3) // 4 * 4
    row_bytes = tight if size == tight * height or size < padded * height else padded
    if size < row_bytes * height:
        return None
    return PixelLayout(
        guess.dtype, guess.samples, guess.bits, guess.mosaic, guess.blue_first, bitmap and index.height > 0, row_bytes
    )


def _bitmap_pixels(bit_count: int) -> PixelLayout | None:
    if bit_count == 8:
        return PixelLayout(np.dtype(np.uint8))
    if bit_count in (10, 12, 14, 16):
        return PixelLayout(np.dtype("<u2"), bits=bit_count if bit_count < 16 else None)
    if bit_count in (24, 32):
        return PixelLayout(np.dtype(np.uint8), bit_count // 8, blue_first=True)
    return PixelLayout(np.dtype("<u2"), 3) if bit_count == 48 else None


def _coded_pixels(code: bytes) -> PixelLayout | None:
    if code in _GRAY:
        bits = _GRAY[code]
        return PixelLayout(np.dtype(np.uint8 if bits == 8 else "<u2"), bits=bits if 8 < bits < 16 else None)
    if code in _MOSAIC_8:
        return PixelLayout(np.dtype(np.uint8), mosaic=_MOSAIC_8[code])
    if code in _MOSAIC_16:
        return PixelLayout(np.dtype("<u2"), mosaic=_MOSAIC_16[code])
    if code[:1] == b"\xba" and code[3:] in (b"\x08", b"\x10"):
        kind = np.dtype(np.uint8 if code[3:] == b"\x08" else "<u2")
        return PixelLayout(kind, mosaic=_MOSAIC_LETTERS.get(code[1:3].decode("latin-1")))
    letters, depth = code[:2].decode("latin-1"), code[2:]
    if letters in _MOSAIC_LETTERS and depth in (b"10", b"12", b"14"):
        return PixelLayout(np.dtype("<u2"), bits=int(depth), mosaic=_MOSAIC_LETTERS[letters])
    if code in (b"BGR\x18", b"RGB\x18", b"BGR\x30", b"RGB\x30"):
        return PixelLayout(np.dtype(np.uint8 if code[3] == 24 else "<u2"), 3, blue_first=code[:1] == b"B")
    return None


class AviCapture(StoredCapture):
    """Frames of an uncompressed AVI file."""

    def __init__(self, path: Path, file: PositionedFile, index: AviIndex, declared: Circumstances) -> None:
        layout = pixel_layout(index)
        if layout is None:
            raise CaptureError(path, "its frames are compressed", "this reader takes uncompressed frames only")
        self._file, self._layout = file, layout
        self._palette = _useful_palette(index)
        height, width = abs(index.height), index.width
        payload = layout.row_bytes * height
        slots = np.flatnonzero(np.frombuffer(index.sizes, np.int64) >= payload)
        self._offsets = np.frombuffer(index.offsets, np.int64)[slots]
        self._scratch = threading.local()
        colour = layout.samples > 1 or (self._palette is not None and self._palette.ndim == 2)
        stored = Stored(
            shape=(height, width, 3) if colour else (height, width),
            dtype=layout.dtype.newbyteorder("="),
            count=len(slots),
            lost=max(index.promised, len(index.sizes) + index.cut_frames) - len(slots),
            mosaic=layout.mosaic,
            bits=layout.bits,
            offsets_s=(slots - slots[0]) / index.rate_hz if index.rate_hz and len(slots) else None,
            notes=("palette changes within the file are ignored",) if index.palette_changes > 1 else (),
        )
        super().__init__(path, stored, declared)

    def close(self) -> None:
        self._file.close()

    def _fill(self, index: int, target: Frame) -> None:
        layout, offset = self._layout, int(self._offsets[index])
        height, width = self.shape[:2]
        plain = layout.samples == 1 and self._palette is None and not layout.bottom_up
        if plain and layout.row_bytes == width * layout.dtype.itemsize and target.flags.c_contiguous:
            self._read(target, offset)
            return
        rows = self._rows(height)
        self._read(rows, offset)
        tight = rows[:, : width * layout.samples * layout.dtype.itemsize].view(layout.dtype)
        if layout.bottom_up:
            tight = tight[::-1]
        self._unpack(tight, width, target)

    def _rows(self, height: int) -> NDArray[np.uint8]:
        """Return this thread's own buffer of stored rows."""
        rows: NDArray[np.uint8] | None = getattr(self._scratch, "rows", None)
        if rows is None:
            rows = self._scratch.rows = np.empty((height, self._layout.row_bytes), np.uint8)
        return rows

    def _read(self, buffer: NDArray[Any], offset: int) -> None:
        if self._file.read_into(buffer, offset) < buffer.nbytes:
            raise CaptureError(self.path, "has become shorter while it was read", "process it again")

    def _unpack(self, tight: NDArray[Any], width: int, target: Frame) -> None:
        layout = self._layout
        if self._palette is not None:
            np.copyto(target, self._palette[tight])
        elif layout.samples == 1:
            np.copyto(target, tight)
        else:
            pixels = tight.reshape(-1, width, layout.samples)
            np.copyto(target, _red_first(pixels) if layout.blue_first else pixels[:, :, :3])


def _red_first(pixels: NDArray[Any]) -> NDArray[Any]:
    import cv2

    converted: NDArray[Any] = cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB if pixels.shape[2] == 3 else cv2.COLOR_BGRA2RGB)
    return converted


def _useful_palette(index: AviIndex) -> NDArray[np.uint8] | None:
    """Return the values behind the palette: (256,) gray, (256, 3) colour, or None where they are the indices."""
    entries = index.palette
    if entries is None or index.compression not in _DEVICE_INDEPENDENT or not entries[:, :3].any():
        return None
    colours = np.zeros((256, 3), np.uint8)
    colours[: len(entries)] = entries[:, 2::-1]
    gray = colours[:, 0]
    if (colours == gray[:, np.newaxis]).all():
        return None if (gray[: len(entries)] == np.arange(len(entries))).all() else gray.copy()
    return colours
