"""Decoded frames in a nameless file, so that none has to be decoded twice; what does not fit is decoded anew."""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from contextlib import suppress

import numpy as np

from stacker.capture.positioned import NamelessFile
from stacker.capture.sequence import CaptureError, Frame

_MOST_OF_FREE_ROOM, _LEAST_LEFT = 0.5, 0.25
"""The results of this run need room too, and other runs for frames of theirs; where the folder is in memory, so does
everything."""
_UNKNOWN, _STORED, _REFUSED = range(3)


class DecodedFrames:
    """Frames of one shape and dtype by their numbers, as they were decoded.

    The process that made it fills it, by any of its threads; copies of that process read what was there when they
    began. Where room is wanting it forgets all and takes nothing more. Nothing is raised: what is not here has to be
    decoded.
    """

    def __init__(self, count: int, frame_bytes: int) -> None:
        self._frame_bytes = frame_bytes
        self._known = bytearray(count)
        self._process, self._lock = os.getpid(), threading.Lock()
        free_bytes = _free_bytes()
        self._least_free_bytes = _LEAST_LEFT * free_bytes
        self._file = _new_file() if count * frame_bytes <= _MOST_OF_FREE_ROOM * free_bytes else None
        self._is_closed = self._file is None

    @property
    def is_open(self) -> bool:
        """Whether there is room, as far as is known."""
        return not self._is_closed

    @property
    def is_complete(self) -> bool:
        """Whether every frame is here, or is known to be one that cannot be decoded."""
        return not self._is_closed and _UNKNOWN not in self._known

    def take(self, index: int, target: Frame) -> bool:
        """Write frame `index` into `target`; return whether it was here."""
        if self._file is None or self._is_closed or self._known[index] != _STORED:
            return False
        frame = target if target.flags.c_contiguous else np.empty(target.shape, target.dtype)
        try:
            whole = self._file.read_into(frame, index * self._frame_bytes) == self._frame_bytes
        except CaptureError:
            return False
        if whole and frame is not target:
            np.copyto(target, frame)
        return whole

    def wants(self, index: int) -> bool:
        """Return whether frame `index` should be put here."""
        return not self._known[index] and not self._is_closed and os.getpid() == self._process

    def put(self, index: int, frame: Frame) -> None:
        """Keep frame `index`."""
        if not self.wants(index):
            return
        with self._lock:
            if self._file is None or self._is_closed:
                return
            if _free_bytes() >= self._least_free_bytes:
                with suppress(OSError):
                    self._file.write(np.ascontiguousarray(frame), index * self._frame_bytes)
                    self._known[index] = _STORED
                    return
            self._is_closed = True
            # Others may be reading: they meet its end, and not another file in its place.
            self._file.empty()

    def refuse(self, index: int) -> None:
        """Note that frame `index` cannot be decoded."""
        self._known[index] = _REFUSED

    def close(self) -> None:
        """Give the room back; closing twice is harmless."""
        with self._lock:
            self._is_closed = True
            if self._file is not None:
                self._file.close()


def _free_bytes() -> int:
    try:
        return shutil.disk_usage(tempfile.gettempdir()).free
    except OSError:
        return 0


def _new_file() -> NamelessFile | None:
    try:
        return NamelessFile()
    except (CaptureError, OSError):
        return None
