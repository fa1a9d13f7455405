"""From FFmpeg's native pixel formats to arrays, without changing a value where that can be."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.sequence import Frame

_MOSAIC = re.compile(r"bayer_(rggb|bggr|gbrg|grbg)(8|16le|16be)")
_GRAY = re.compile(r"gray(\d*)(le|be)?")
_PLANAR_RGB = re.compile(r"gbrp(\d*)(le)?")
_VOID_CHROMA_TOLERANCE = 2
_FULL_RANGE = 2
"""FFmpeg's AVCOL_RANGE_JPEG."""


@dataclass(frozen=True)
class PixelFormat:
    """How one native pixel format becomes a frame."""

    name: str
    """Format the picture is brought to before its planes are taken; usually its own."""
    planes: tuple[int, ...]
    """Planes of R, G, B or of gray; a single plane with `samples` 3 is packed."""
    dtype: np.dtype[Any]
    samples: int = 1
    bits: int | None = None
    full_scale: float | None = None
    mosaic: str | None = None
    big_endian: bool = False
    notes: tuple[str, ...] = ()

    @property
    def colour(self) -> bool:
        """Say whether frames are (H, W, 3)."""
        return self.samples * len(self.planes) == 3

    def fill(self, picture: Any, target: Frame) -> None:
        """Write the decoded `picture` into `target`."""
        if picture.format.name != self.name:
            picture = picture.reformat(format=self.name)
        stored = self.dtype.newbyteorder(">") if self.big_endian else self.dtype
        for channel, plane in enumerate(self.planes):
            rows = _plane_rows(picture, plane, stored, self.samples)
            np.copyto(target[..., channel] if len(self.planes) == 3 else target, rows)


def choose_format(pictures: Sequence[Any]) -> PixelFormat:
    """Choose from the first decoded pictures; luma alone is taken where chroma is void in all of them."""
    name = pictures[0].format.name
    byte, word = np.dtype(np.uint8), np.dtype(np.uint16)
    if mosaic := _MOSAIC.fullmatch(name):
        wide = mosaic[2] != "8"
        return PixelFormat(name, (0,), word if wide else byte, mosaic=mosaic[1].upper(), big_endian=mosaic[2] == "16be")
    if gray := _GRAY.fullmatch(name):
        bits = int(gray[1] or 8)
        declared = bits if 8 < bits < 16 else None
        return PixelFormat(name, (0,), byte if bits == 8 else word, bits=declared, big_endian=gray[2] == "be")
    if name in ("grayf32le", "grayf32be"):
        return PixelFormat(name, (0,), np.dtype(np.float32), big_endian=name.endswith("be"))
    if planar := _PLANAR_RGB.fullmatch(name):
        bits = int(planar[1] or 8)
        declared = bits if 8 < bits < 16 else None
        return PixelFormat(name, (2, 0, 1), byte if bits == 8 else word, bits=declared)
    if name.startswith(("yuv", "nv")) and not name.startswith("yuva"):
        return _choose_luma_or_rgb(name, pictures)
    if name in ("ya8", "monow", "monob"):
        return PixelFormat("gray", (0,), byte)
    if name.startswith("ya16"):
        return PixelFormat("gray16le", (0,), word)
    return _packed_rgb(_component_bits(pictures[0]))


def _choose_luma_or_rgb(name: str, pictures: Sequence[Any]) -> PixelFormat:
    bits = _component_bits(pictures[0])
    planar = re.fullmatch(r"yuvj?4\d\dp(\d\dle)?", name)
    if planar is None or not all(_chroma_is_void(picture, bits) for picture in pictures):
        return _packed_rgb(bits)
    full = name.startswith("yuvj") or int(pictures[0].color_range or 0) == _FULL_RANGE
    scale = 1 << (bits - 8)
    white = float((1 << bits) - 1) if full else 235.0 * scale
    note = "chroma is void: the luma plane is taken as it is" + (
        "" if full else f" (black {16 * scale}, white {white:.0f})"
    )
    dtype = np.dtype(np.uint8 if bits == 8 else np.uint16)
    return PixelFormat(name, (0,), dtype, bits=bits if bits > 8 else None, full_scale=white, notes=(note,))


def _packed_rgb(bits: int) -> PixelFormat:
    if bits <= 8:
        return PixelFormat("rgb24", (0,), np.dtype(np.uint8), samples=3)
    return PixelFormat("rgb48le", (0,), np.dtype(np.uint16), samples=3, bits=bits, full_scale=65535.0)


def _component_bits(picture: Any) -> int:
    return max(int(component.bits) for component in picture.format.components)


def _chroma_is_void(picture: Any, bits: int) -> bool:
    middle = 1 << (bits - 1)
    dtype = np.dtype(np.uint8 if bits == 8 else np.uint16)
    planes = (_plane_rows(picture, plane, dtype, 1) for plane in (1, 2))
    return all(int(np.abs(rows.astype(np.int32) - middle).max()) <= _VOID_CHROMA_TOLERANCE for rows in planes)


def _plane_rows(picture: Any, plane: int, dtype: np.dtype[Any], samples: int) -> NDArray[Any]:
    """Return a view on one plane without the padding that FFmpeg puts at the end of its rows."""
    source = picture.planes[plane]
    rows = np.frombuffer(source, np.uint8).reshape(source.height, source.line_size)
    used = rows[:, : source.width * samples * dtype.itemsize].view(dtype)
    return used.reshape(source.height, source.width, samples) if samples > 1 else used
