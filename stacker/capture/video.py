"""Any video that FFmpeg demuxes, decoded in its native pixel format."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from stacker.capture.circumstances import Circumstances
from stacker.capture.decoded_capture import DecodedCapture
from stacker.capture.decoding import FrameDecoder
from stacker.capture.described import Stored
from stacker.capture.packets import survey_packets
from stacker.capture.pixel_formats import PixelFormat, choose_format
from stacker.capture.sequence import CaptureError, Frame

_DEPTH_SAMPLES = 5


class VideoCapture(DecodedCapture):
    """Frames of a compressed or containerised video.

    `read` decodes in order on a decoder of its own; `get_frame` shares one decoder behind a lock. A frame
    that the decoder refuses is delivered black and noted, so that one damaged frame does not end a capture.
    """

    def __init__(self, path: Path, declared: Circumstances) -> None:
        self._lock = threading.Lock()
        self._decoder: FrameDecoder | None = None
        self._closed = False
        self._refused: set[int] = set()
        self._table = table = survey_packets(path)
        if not len(table):
            raise CaptureError(path, "holds no whole frame", "record it again or restore it from a copy")
        self.path = path
        self._format = pixel_format = self._find_format()
        size = (table.height, table.width)
        stored = Stored(
            shape=(*size, 3) if pixel_format.colour else size,
            dtype=pixel_format.dtype,
            count=len(table),
            lost=table.lost,
            mosaic=pixel_format.mosaic,
            bits=pixel_format.bits,
            full_scale=pixel_format.full_scale,
            offsets_s=table.offsets_s,
            notes=pixel_format.notes,
        )
        try:
            super().__init__(path, stored, declared)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        with self._lock:
            self._closed = True
            if self._decoder is not None:
                self._decoder.close()
                self._decoder = None
        super().close()

    def read(self, indices: Iterable[int]) -> Iterator[tuple[int, Frame]]:
        """Yield `(index, frame)` for rising indices, decoding each stretch once."""
        decoder: FrameDecoder | None = None

        def decode(index: int, target: Frame) -> None:
            nonlocal decoder
            decoder = decoder or self._new_decoder(seeking=False)
            self._decode_by(decoder, index, target)

        try:
            for index in indices:
                if not 0 <= index < len(self):
                    raise IndexError(f"frame {index} is outside 0..{len(self) - 1}")
                target: Frame = np.empty(self.shape, self.dtype)
                self._fill_by(decode, index, target)
                yield index, target
        finally:
            if decoder is not None:
                decoder.close()

    def _decode(self, index: int, target: Frame) -> None:
        with self._lock:
            if self._decoder is None:
                self._decoder = self._new_decoder(seeking=True)
            self._decode_by(self._decoder, index, target)

    def _new_decoder(self, *, seeking: bool) -> FrameDecoder:
        if self._closed:
            raise CaptureError(self.path, "the capture is closed", "open it again")
        return FrameDecoder(self.path, self._table, seeking=seeking, passing=self._keep_passing)

    def _decode_by(self, decoder: FrameDecoder, index: int, target: Frame) -> None:
        picture = decoder.frame(index)
        if picture is not None and self._fits(picture):
            self._format.fill(picture, target)
            return
        target[...] = 0
        if index not in self._refused:
            self._refused.add(index)
            self.notes += (f"frame {index} cannot be decoded and is delivered black",)

    def _keep_passing(self, index: int, picture: Any) -> None:
        known = self._decoded
        if known is not None and known.wants(index) and self._fits(picture):
            frame: Frame = np.empty(self.shape, self.dtype)
            self._format.fill(picture, frame)
            known.put(index, frame)

    def _fits(self, picture: Any) -> bool:
        return (picture.height, picture.width) == self.shape[:2]

    def _sampled_indices(self) -> list[int]:
        return list(range(min(len(self), _DEPTH_SAMPLES)))

    def _find_format(self) -> PixelFormat:
        decoder = FrameDecoder(self.path, self._table, seeking=False)
        try:
            pictures = [decoder.frame(index) for index in range(min(len(self._table), 3))]
        finally:
            decoder.close()
        found = [picture for picture in pictures if picture is not None]
        if not found:
            raise CaptureError(self.path, "its first frames cannot be decoded", "restore it from a copy")
        return choose_format(found)
