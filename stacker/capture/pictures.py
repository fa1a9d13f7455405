"""A folder of PNG, TIFF or JPEG pictures in natural order, or one such picture."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.capture.decoded_capture import DecodedCapture
from stacker.capture.described import Stored
from stacker.capture.picture_size import picture_kind, read_picture_header
from stacker.capture.positioned import unreadable
from stacker.capture.sequence import CaptureError, Frame
from stacker.parallel import ordered_map

_DECODERS = 2


def natural_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """Return a sort key that counts digits as numbers: f2 comes before f10."""
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(part), part) if part.isdecimal() else (1, 0, part.casefold()) for part in parts)


class PictureCapture(DecodedCapture):
    """Pictures of one size and kind, a frame each.

    Every header is looked at before the first frame is delivered: one of another size or form, or a cut one,
    is an error that names it, except that a cut last one counts as lost (the folder may still be growing).
    """

    def __init__(self, path: Path, files: Sequence[Path], declared: Circumstances, notes: Sequence[str] = ()) -> None:
        self._files = list(files)
        lost = self._survey()
        first = decode_picture(self._files[0])
        stored = Stored(shape=first.shape, dtype=first.dtype, count=len(self._files), lost=lost, notes=tuple(notes))
        super().__init__(path, stored, declared)

    def read(self, indices: Iterable[int]) -> Iterator[tuple[int, Frame]]:
        """Yield `(index, frame)` for rising indices, decoded ahead in threads: a PNG takes longer than its use."""
        return ordered_map(lambda index: (index, self.get_frame(index)), indices, _DECODERS)

    def _survey(self) -> int:
        headers = [read_picture_header(name) for name in self._files]
        lost = 0
        if len(headers) > 1 and not (headers[-1].whole and headers[-1].width):
            self._files.pop()
            headers.pop()
            lost = 1
        width, height, form = Counter((one.width, one.height, one.form) for one in headers).most_common(1)[0][0]
        for name, header in zip(self._files, headers, strict=True):
            if not header.whole:
                raise CaptureError(name, "is cut short", "restore it or move it out of the folder")
            if (header.width, header.height) != (width, height):
                raise _odd(name, f"{header.width}x{header.height}", f"{width}x{height}")
            if header.form != form:
                raise _odd(name, header.form, form)
        return lost

    def _decode(self, index: int, target: Frame) -> None:
        picture = decode_picture(self._files[index])
        if picture.shape != self.shape or picture.dtype != self.dtype:
            raise _odd(self._files[index], _words(picture.shape, picture.dtype), _words(self.shape, self.dtype))
        np.copyto(target, picture)


def _odd(file: Path, this: str, others: str) -> CaptureError:
    return CaptureError(file, f"is {this} where the others are {others}", "move it out of the folder")


def _words(shape: tuple[int, ...], dtype: np.dtype[Any]) -> str:
    return f"{shape[1]}x{shape[0]} {'colour' if len(shape) == 3 else 'gray'} {dtype}"


def decode_picture(path: Path) -> NDArray[Any]:
    """Return one picture as (H, W) or (H, W, 3) RGB in uint8, uint16 or float32; transparency is dropped.

    The bytes are read first and decoded then, because OpenCV cannot open names with accents on Windows.
    """
    import cv2

    # A damaged picture is told by our own error alone.
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        data = np.fromfile(path, np.uint8)
    except OSError as error:
        raise unreadable(path, error) from error
    try:
        picture = cv2.imdecode(data, cv2.IMREAD_UNCHANGED) if data.size else None
    except cv2.error:
        picture = None
    if picture is None and picture_kind(data[:16].tobytes()) == "TIFF":
        return _decode_tiff(path)
    if picture is None:
        raise CaptureError(path, "cannot be decoded as a picture", "restore it or move it out of the folder")
    if picture.ndim == 3 and picture.shape[2] in (3, 4):
        picture = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB if picture.shape[2] == 3 else cv2.COLOR_BGRA2RGB)
    elif picture.ndim == 3:
        picture = picture[:, :, 0]
    return picture if picture.dtype in (np.uint8, np.uint16) else picture.astype(np.float32)


def _decode_tiff(path: Path) -> NDArray[Any]:
    """Return the first page of a TIFF picture that OpenCV refuses (8-bit tiles, for one)."""
    from stacker.capture.tiff import TiffCapture

    with TiffCapture(path, Circumstances()) as capture:
        return capture.get_frame(0)
