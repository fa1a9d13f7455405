"""Uncompressed AVI with OpenDML segments (*OpenDML AVI File Format Extensions* 1.02), written as a stream."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

FIRST_SEGMENT_BYTES = 1 << 30
_MOSAIC_8 = {"RGGB": b"RGGB", "BGGR": b"BA81", "GRBG": b"GRBG", "GBRG": b"GBRG"}
_MOSAIC_16 = {"RGGB": b"RG16", "BGGR": b"BYR2", "GRBG": b"GR16", "GBRG": b"GB16"}


@dataclass(frozen=True)
class AviKind:
    """How the pixels are stored: four-character code, bits a pixel, rows from the bottom or not."""

    code: bytes
    bit_count: int
    bottom_up: bool


def avi_kind(kind: str, mosaic: str | None) -> AviKind:
    """Return the storage of `avi`, `avi-bottom-up`, `avi-16` or `avi-colour`."""
    if kind == "avi":
        return AviKind(_MOSAIC_8[mosaic] if mosaic else b"Y800", 8, False)
    if kind == "avi-16":
        return AviKind(_MOSAIC_16[mosaic] if mosaic else b"Y16 ", 16, False)
    return AviKind(b"\0\0\0\0", 24 if kind == "avi-colour" else 8, True)


class AviWriter:
    """Writes frames to an open file; `close` mends the counts and sizes in the headers."""

    def __init__(
        self,
        file: BinaryIO,
        kind: AviKind,
        shape: tuple[int, ...],
        fps: float,
        segment_bytes: int = FIRST_SEGMENT_BYTES,
    ) -> None:
        self._file, self._kind, self._segment_bytes = file, kind, segment_bytes
        self._height, self._width = shape[:2]
        self._row_bytes = self._width * kind.bit_count // 8
        if kind.code == b"\0\0\0\0":
            self._row_bytes = (self._row_bytes + 3) // 4 * 4
        self._payload = self._row_bytes * self._height
        self._chunk = b"00db" if kind.code == b"\0\0\0\0" else b"00dc"
        self._frames = 0
        self._rate = Fraction(fps).limit_denominator(100000)
        self._segment_start = 0
        self._lists: list[int] = []
        self._open_list(b"RIFF", b"AVI ")
        self._write_header()
        self._open_list(b"LIST", b"movi")

    def write(self, frame: NDArray[np.generic]) -> None:
        """Append one frame: (H, W) or (H, W, 3) RGB."""
        if self._file.tell() - self._segment_start + self._payload + 8 > self._segment_bytes and self._frames:
            self._close_lists()
            self._segment_start = self._file.tell()
            self._open_list(b"RIFF", b"AVIX")
            self._open_list(b"LIST", b"movi")
        pixels = frame[:, :, ::-1] if frame.ndim == 3 else frame
        pixels = np.ascontiguousarray(pixels[::-1] if self._kind.bottom_up else pixels)
        stored = pixels.astype(pixels.dtype.newbyteorder("<"), copy=False).view(np.uint8).reshape(self._height, -1)
        rows = np.zeros((self._height, self._row_bytes), np.uint8)
        rows[:, : stored.shape[1]] = stored
        self._file.write(self._chunk + struct.pack("<I", self._payload) + rows.tobytes() + b"\0" * (self._payload & 1))
        self._frames += 1

    def close(self) -> None:
        """Finish: close the lists and write the number of frames into the three headers that carry it."""
        self._close_lists()
        for place in self._count_places:
            self._file.seek(place)
            self._file.write(struct.pack("<I", self._frames))

    def _open_list(self, kind: bytes, form: bytes) -> None:
        self._file.write(kind)
        self._lists.append(self._file.tell())
        self._file.write(struct.pack("<I", 0) + form)

    def _close_lists(self, keep: int = 0) -> None:
        end = self._file.tell()
        while len(self._lists) > keep:
            place = self._lists.pop()
            self._file.seek(place)
            self._file.write(struct.pack("<I", end - place - 4))
        self._file.seek(end)

    def _write_header(self) -> None:
        rate, file = self._rate, self._file
        self._open_list(b"LIST", b"hdrl")
        microseconds = round(1e6 / rate)
        main = (microseconds, 0, 0, 0x10, 0, 0, 1, self._payload, self._width, self._height)
        places = [file.tell() + 8 + 16]
        self._write_chunk(b"avih", struct.pack("<14I", *main, 0, 0, 0, 0))
        self._open_list(b"LIST", b"strl")
        places.append(file.tell() + 8 + 32)
        handler = self._kind.code
        head = struct.pack("<4s4sIHHI", b"vids", handler, 0, 0, 0, 0)
        head += struct.pack("<7I", rate.denominator, rate.numerator, 0, 0, self._payload, 0xFFFFFFFF, 0)
        self._write_chunk(b"strh", head + struct.pack("<4h", 0, 0, self._width, self._height))
        self._write_chunk(b"strf", self._picture_format())
        self._close_lists(keep=2)
        self._open_list(b"LIST", b"odml")
        places.append(file.tell() + 8)
        self._write_chunk(b"dmlh", b"\0" * 248)
        self._close_lists(keep=1)
        self._count_places = places

    def _picture_format(self) -> bytes:
        kind = self._kind
        ramp = kind.bit_count == 8 and kind.code == b"\0\0\0\0"
        head = struct.pack(
            "<IiiHH4sIii", 40, self._width, self._height, 1, kind.bit_count, kind.code, self._payload, 0, 0
        )
        head += struct.pack("<II", 256 if ramp else 0, 0)
        if not ramp:
            return head
        palette = np.repeat(np.arange(256, dtype=np.uint8)[:, np.newaxis], 4, axis=1)
        palette[:, 3] = 0
        return head + palette.tobytes()

    def _write_chunk(self, kind: bytes, data: bytes) -> None:
        self._file.write(kind + struct.pack("<I", len(data)) + data)
