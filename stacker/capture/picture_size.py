"""Size, form and wholeness of a PNG, JPEG or TIFF picture from its header and last bytes, without decoding it."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from stacker.capture.positioned import unreadable

_PNG = b"\x89PNG\r\n\x1a\n"
_TAIL_BYTES = 4096
_HEAD_BYTES = 65536
_BEYOND_ANY_FILE = 1 << 62
_TIFF_WIDTH, _TIFF_HEIGHT, _TIFF_BITS, _TIFF_SAMPLES = 256, 257, 258, 277


@dataclass(frozen=True)
class PictureHeader:
    """What the first and last bytes of a picture file say."""

    kind: str
    """PNG, JPEG, TIFF; empty for anything else."""
    width: int = 0
    height: int = 0
    whole: bool = True
    form: str = ""
    """Depth and colours, as `8-bit gray`; pictures of one form decode to one dtype and number of colours."""


def picture_kind(head: bytes) -> str:
    """Return PNG, JPEG, TIFF, FITS or an empty string, judged by a file's first bytes."""
    if head.startswith(_PNG):
        return "PNG"
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    return "FITS" if head.startswith(b"SIMPLE  =") else ""


def read_picture_header(path: Path) -> PictureHeader:
    """Read size and wholeness (does the end marker stand where it should?) of one picture."""
    try:
        with path.open("rb") as file:
            head = file.read(512)
            kind = picture_kind(head)
            if kind == "JPEG":
                head += file.read(_HEAD_BYTES)
            size = file.seek(0, 2)
            file.seek(max(0, size - _TAIL_BYTES))
            tail = file.read()
            if kind == "TIFF":
                return _tiff_header(file, head, size)
    except OSError as error:
        raise unreadable(path, error) from error
    if kind == "PNG" and len(head) >= 24:
        width, height = struct.unpack(">II", head[16:24])
        # Fewer than 8 bits and palettes are decoded to 8 (PNG, third edition, 11.2.1: bit depth, colour type).
        form = _form(16 if head[24:25] == b"\x10" else 8, gray=head[25:26] == b"\0")
        return PictureHeader(kind, width, height, b"IEND" in tail, form)
    if kind == "JPEG":
        width, height, colours = _jpeg_size(head)
        return PictureHeader(kind, width, height, b"\xff\xd9" in tail, _form(8, gray=colours == 1))
    return PictureHeader(kind, whole=kind != "PNG")


def _form(bits: int, *, gray: bool) -> str:
    return f"{bits}-bit {'gray' if gray else 'colour'}"


def _jpeg_size(head: bytes) -> tuple[int, int, int]:
    """Return (width, height, colours) from the start-of-frame segment (ITU-T T.81, B.2.2), or zeros."""
    position = 2
    while position + 10 <= len(head):
        marker = head[position + 1]
        (length,) = struct.unpack(">H", head[position + 2 : position + 4])
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height, width = struct.unpack(">HH", head[position + 5 : position + 9])
            return width, height, head[position + 9]
        position += 2 + length
    return 0, 0, 0


def _tiff_header(file: BinaryIO, head: bytes, size: int) -> PictureHeader:
    """Return the first directory's size (TIFF 6.0, section 2); whole where directory and strips lie within the file."""
    order = "<" if head[:1] == b"I" else ">"
    if head[2:4] in (b"+\0", b"\0+") or len(head) < 8:
        return PictureHeader("TIFF")
    (place,) = struct.unpack(order + "I", head[4:8])
    file.seek(place)
    count_bytes = file.read(2)
    if len(count_bytes) < 2:
        return PictureHeader("TIFF", whole=False)
    (entries,) = struct.unpack(order + "H", count_bytes)
    block = file.read(12 * entries)
    if len(block) < 12 * entries:
        return PictureHeader("TIFF", whole=False)
    tags = {struct.unpack(order + "H", block[at : at + 2])[0]: block[at : at + 12] for at in range(0, len(block), 12)}
    wanted = ((_TIFF_WIDTH, 0), (_TIFF_HEIGHT, 0), (_TIFF_BITS, 1), (_TIFF_SAMPLES, 1))
    width, height, bits, samples = ((_tiff_numbers(file, order, tags.get(tag)) or [usual])[0] for tag, usual in wanted)
    whole = _strips_end(file, order, tags) <= size
    return PictureHeader("TIFF", width, height, whole, _form(bits, gray=samples < 3))


def _strips_end(file: BinaryIO, order: str, tags: dict[int, bytes]) -> int:
    """Return the byte after the last strip or tile."""
    offsets = _tiff_numbers(file, order, tags.get(273) or tags.get(324))
    lengths = _tiff_numbers(file, order, tags.get(279) or tags.get(325))
    return max((offset + length for offset, length in zip(offsets, lengths, strict=False)), default=0)


def _tiff_numbers(file: BinaryIO, order: str, entry: bytes | None) -> list[int]:
    """Return the numbers of a directory entry, which stand in the entry itself where four bytes hold them."""
    if entry is None:
        return []
    kind, count = struct.unpack(order + "HI", entry[2:8])
    code = {1: "B", 3: "H"}.get(kind, "I")
    size = struct.calcsize(code) * count
    block = entry[8 : 8 + size]
    if size > 4:
        file.seek(struct.unpack(order + "I", entry[8:12])[0])
        block = file.read(size)
    return list(struct.unpack(f"{order}{count}{code}", block)) if len(block) == size else [_BEYOND_ANY_FILE]
