"""Multi-page TIFF: a frame a page."""

from __future__ import annotations

import logging
import os
import struct
import threading
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.capture.decoded_capture import DecodedCapture
from stacker.capture.described import Stored
from stacker.capture.positioned import PositionedFile
from stacker.capture.sequence import CaptureError, Frame

_BROKEN = (ValueError, IndexError, KeyError, TypeError, struct.error)
"""What tifffile raises on damaged directories; its own error is a ValueError."""


class TiffCapture(DecodedCapture):
    """Pages of one TIFF file; uncompressed ones are read straight from their place, others through tifffile."""

    def __init__(self, path: Path, declared: Circumstances) -> None:
        import tifffile

        # A cut file makes tifffile log each broken page; the count of lost frames says it once.
        logging.getLogger("tifffile").setLevel(logging.CRITICAL)
        self._lock, self._process = threading.Lock(), os.getpid()
        self._scratch = threading.local()
        self._file = PositionedFile(path)
        self._tiff: Any = None
        try:
            self._tiff = tifffile.TiffFile(path)
            stored = self._survey(path, list(self._tiff.pages))
            super().__init__(path, stored, declared)
        except _BROKEN as error:
            self.close()
            raise CaptureError(path, "is a TIFF file without a readable page", "restore it from a copy") from error
        except BaseException:
            self.close()
            raise

    @property
    def is_sequential(self) -> bool:
        return False

    @property
    def has_random_access(self) -> bool:
        return not self._is_filling

    def decode_once(self) -> None:
        if self._places is None:
            super().decode_once()

    def close(self) -> None:
        super().close()
        with self._lock:
            if self._tiff is not None:
                self._tiff.close()
        self._file.close()

    def _survey(self, path: Path, pages: list[Any]) -> Stored:
        first = pages[0].keyframe if pages else None
        if first is None or first.dtype is None or not first.shape:
            raise CaptureError(path, "is a TIFF file without a readable page", "restore it from a copy")
        self._stored = np.dtype(first.dtype).newbyteorder(self._tiff.byteorder)
        self._page_shape, self._axes = tuple(first.shape), first.axes
        same = [page for page in pages if page.keyframe.shape == first.shape and page.keyframe.dtype == first.dtype]
        notes = []
        if len(same) < len(pages):
            notes.append(f"{len(pages) - len(same)} pages of another size are ignored")
        promised = max(len(same), self._described_pages())
        self._places, self._pages = self._find_frames(same, first, promised)
        count = len(self._places) if self._places is not None else len(self._pages)
        colour = "S" in self._axes
        size = tuple(length for axis, length in zip(self._axes, self._page_shape, strict=True) if axis in "YX")
        if len(size) != 2 or (colour and len(self._page_shape) != 3):
            raise CaptureError(path, f"has pages of axes {self._axes}", "write a frame a page")
        self._samples_first = self._axes.startswith("S")
        dtype = self._stored.newbyteorder("=")
        plain = dtype in (np.uint8, np.uint16)
        rgb = colour and self._page_shape[self._axes.index("S")] >= 3
        return Stored(
            shape=(*size, 3) if rgb else size,
            dtype=dtype if plain else np.dtype(np.uint8 if dtype == np.bool_ else np.float32),
            count=count,
            lost=max(promised, len(same)) - count,
            notes=tuple(notes),
        )

    def _described_pages(self) -> int:
        """Return how many pages the file's description claims (a cut file has lost the directories of the rest)."""
        for described in (self._tiff.shaped_metadata or (), [self._tiff.imagej_metadata or {}]):
            for entry in described:
                shape = entry.get("shape") or (entry.get("images", 0), *self._page_shape)
                if len(shape) > len(self._page_shape):
                    return int(np.prod(shape[: len(shape) - len(self._page_shape)]))
        return 0

    def _find_frames(self, pages: list[Any], first: Any, promised: int) -> tuple[list[int] | None, list[Any]]:
        """Return byte offsets of whole uncompressed frames, or else the whole pages to be decoded."""
        payload = int(np.prod(self._page_shape)) * self._stored.itemsize
        if first.is_contiguous and first.compression == 1 and first.dtype != np.bool_:
            places = [int(page.dataoffsets[0]) for page in pages if page.dataoffsets]
            if len(pages) == 1 < promised:
                places = [places[0] + number * payload for number in range(promised)]
            return [place for place in places if place + payload <= self._file.size], []
        return None, [page for page in pages if self._is_whole(page)]

    def _is_whole(self, page: Any) -> bool:
        pairs = zip(page.dataoffsets, page.databytecounts, strict=False)
        return all(offset > 0 and offset + count <= self._file.size for offset, count in pairs)

    def _decode(self, index: int, target: Frame) -> None:
        if self._places is None:
            stored = self._decode_page(index)
        else:
            direct = target.flags.c_contiguous and target.shape == self._page_shape and target.dtype == self._stored
            stored = target if direct else self._buffer()
            if self._file.read_into(stored, self._places[index]) < stored.nbytes:
                raise CaptureError(self.path, "has become shorter while it was read", "process it again")
            if direct:
                return
        if "S" in self._axes:
            stored = stored.transpose(1, 2, 0) if self._samples_first else stored
            stored = stored[:, :, :3] if target.ndim == 3 else stored[:, :, 0]
        np.copyto(target, stored, casting="unsafe")
        if self._stored == np.bool_:
            np.multiply(target, 255, out=target)

    def _buffer(self) -> NDArray[Any]:
        """Return this thread's own buffer of one stored page."""
        page: NDArray[Any] | None = getattr(self._scratch, "page", None)
        if page is None:
            page = self._scratch.page = np.empty(self._page_shape, self._stored)
        return page

    def _decode_page(self, index: int) -> NDArray[Any]:
        try:
            with self._lock:
                if os.getpid() != self._process:
                    # A process that began as a copy would move the other's place in the file.
                    self._tiff.filehandle.close()
                    self._tiff.filehandle.open()
                    self._process = os.getpid()
                page: NDArray[Any] = self._pages[index].asarray()
        except (OSError, ValueError, RuntimeError, KeyError) as error:
            raise CaptureError(
                self.path, f"page {index} cannot be decoded ({error})", "restore it from a copy"
            ) from error
        return page
