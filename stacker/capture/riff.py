"""The chunks of an AVI file: where each frame lies, through all OpenDML segments, index or not.

Layout: Microsoft AVI RIFF file reference; *OpenDML AVI File Format Extensions* 1.02 (1996) for the `AVIX`
segments past the first. Indices in the file (`idx1`, `indx`) are not read: a recording that broke off has none.
"""

from __future__ import annotations

import struct
from array import array
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stacker.capture.positioned import PositionedFile

_LISTS_ENTERED = (b"AVI ", b"AVIX", b"hdrl", b"strl", b"movi", b"rec ", b"odml")
_DEEPEST_LIST = 8
_FRAME_ENDINGS = (b"db", b"dc")


@dataclass
class AviIndex:
    """The video stream of an AVI file: how its frames are stored and where they are."""

    width: int = 0
    height: int = 0
    """As stored: positive or negative."""
    bit_count: int = 0
    compression: bytes = b""
    palette: NDArray[np.uint8] | None = None
    """(n, 4) in B, G, R, unused order."""
    rate_hz: float | None = None
    promised: int = 0
    """Frames that the header claims."""
    stream: bytes = b""
    """Two digits that start the ids of this stream's chunks."""
    cut_frames: int = 0
    palette_changes: int = 0
    offsets: array[int] = field(default_factory=lambda: array("q"))
    sizes: array[int] = field(default_factory=lambda: array("q"))
    streams_seen: int = 0
    in_video: bool = False


def index_avi(file: PositionedFile) -> AviIndex:
    """Walk all chunks of `file`; a chunk that runs past the end of the file counts as a cut frame."""
    found = AviIndex()
    _walk(file, 0, file.size, found)
    return found


def _walk(file: PositionedFile, position: int, end: int, found: AviIndex, depth: int = 0) -> None:
    while position + 8 <= end:
        kind, size = struct.unpack("<4sI", file.read(position, 8))
        body = position + 8
        if kind in (b"RIFF", b"LIST"):
            # A recorder that broke off leaves the sizes of its open lists at zero: such a list runs on to the end.
            if size == 0:
                size = end - body
            if file.read(body, 4) in _LISTS_ENTERED and depth < _DEEPEST_LIST:
                _walk(file, body + 4, min(body + size, end), found, depth + 1)
        elif kind[:2] == found.stream and kind[2:] in _FRAME_ENDINGS:
            if body + size > file.size:
                found.cut_frames += 1
                return
            found.offsets.append(body)
            found.sizes.append(size)
        elif kind == b"\0\0\0\0":
            return
        else:
            _note_header(file, kind, body, size, found)
        position = body + size + (size & 1)


def _note_header(file: PositionedFile, kind: bytes, body: int, size: int, found: AviIndex) -> None:
    if kind == b"strh":
        head = file.read(body, 56)
        found.in_video = head[:4] == b"vids" and not found.stream and len(head) >= 36
        if found.in_video:
            found.stream = b"%02d" % found.streams_seen
            scale, rate, _, length = struct.unpack("<4I", head[20:36])
            found.rate_hz = rate / scale if scale and rate else found.rate_hz
            found.promised = max(found.promised, length)
        found.streams_seen += 1
    elif kind == b"strf" and found.in_video:
        _note_picture_format(file.read(body, size), found)
        found.in_video = False
    elif kind == b"avih":
        (microseconds,) = struct.unpack("<I", file.read(body, 4).ljust(4, b"\0"))
        found.rate_hz = 1e6 / microseconds if microseconds else None
    elif kind == b"dmlh":
        found.promised = max(found.promised, *struct.unpack("<I", file.read(body, 4).ljust(4, b"\0")))
    elif kind[:2] == found.stream and kind[2:] == b"pc":
        found.palette_changes += 1


def _note_picture_format(data: bytes, found: AviIndex) -> None:
    if len(data) < 40:
        return
    header_size, found.width, found.height, _, found.bit_count, found.compression = struct.unpack("<IiiHH4s", data[:20])
    (colours,) = struct.unpack("<I", data[32:36])
    table = np.frombuffer(data[header_size:], np.uint8)
    entries = min(colours or 256, table.size // 4, 256)
    if found.bit_count == 8 and entries > 1:
        found.palette = table[: entries * 4].reshape(entries, 4)
