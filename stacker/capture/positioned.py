"""Reads and writes at a given place of a file, safe from several threads, on every system."""

from __future__ import annotations

import os
import tempfile
import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stacker.capture.sequence import CaptureError

_HAS_POSITIONED_READS, _HAS_POSITIONED_WRITES = hasattr(os, "preadv"), hasattr(os, "pwrite")


class PositionedFile:
    """A file opened read-only; its size is the one at opening, so a growing file stays consistent.

    Raises CaptureError where the file cannot be opened or read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._descriptor: int | None = None
        try:
            self._descriptor = self._open()
            self.size = os.fstat(self._descriptor).st_size
        except OSError as error:
            raise unreadable(path, error) from error

    def read_into(self, buffer: NDArray[np.generic], offset: int) -> int:
        """Fill the C-contiguous `buffer` from byte `offset`; return the number of bytes that were there."""
        view = buffer.reshape(-1).view(np.uint8).data
        done = 0
        try:
            while done < len(view):
                count = self._read_some(view[done:], offset + done)
                if count == 0:
                    break
                done += count
        except OSError as error:
            raise unreadable(self.path, error) from error
        return done

    def read(self, offset: int, count: int) -> bytes:
        """Return up to `count` bytes from byte `offset`; fewer at the end of the file."""
        buffer = np.empty(max(0, min(count, self.size - offset)), np.uint8)
        return buffer[: self.read_into(buffer, offset)].tobytes() if buffer.size else b""

    def close(self) -> None:
        """Release the file; closing twice is harmless."""
        with self._lock:
            descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)

    def _open(self) -> int:
        return os.open(self.path, os.O_RDONLY | getattr(os, "O_BINARY", 0))

    def _read_some(self, view: memoryview, offset: int) -> int:
        descriptor = self._descriptor
        if descriptor is None:
            raise CaptureError(self.path, "the capture is closed", "open it again")
        if _HAS_POSITIONED_READS:
            return os.preadv(descriptor, [view], offset)
        with self._lock:
            os.lseek(descriptor, offset, os.SEEK_SET)
            block = os.read(descriptor, len(view))
        view[: len(block)] = block
        return len(block)


class NamelessFile(PositionedFile):
    """A file in the folder for temporary files that has no name and is gone with its process, however that ends.

    Raises CaptureError where there can be none.
    """

    def __init__(self) -> None:
        super().__init__(Path(tempfile.gettempdir()))

    def write(self, block: NDArray[np.generic], offset: int) -> None:
        """Put the C-contiguous `block` at byte `offset`. Raises OSError where it does not fit."""
        view = block.reshape(-1).view(np.uint8).data
        done = 0
        while done < len(view):
            done += self._write_some(view[done:], offset + done)

    def empty(self) -> None:
        """Give the room back."""
        if self._descriptor is not None:
            os.ftruncate(self._descriptor, 0)

    def _open(self) -> int:
        with tempfile.TemporaryFile(buffering=0) as file:
            return os.dup(file.fileno())

    def _write_some(self, view: memoryview, offset: int) -> int:
        descriptor = self._descriptor
        if descriptor is None:
            raise OSError("the file is closed")
        if _HAS_POSITIONED_WRITES:
            return os.pwrite(descriptor, view, offset)
        with self._lock:
            os.lseek(descriptor, offset, os.SEEK_SET)
            return os.write(descriptor, view)


def unreadable(path: Path, error: OSError) -> CaptureError:
    """Return the one-line error for a file that the system refuses to open or read."""
    if isinstance(error, FileNotFoundError):
        return CaptureError(path, "no such file or folder", "check the name")
    if isinstance(error, PermissionError):
        return CaptureError(path, "reading it is not permitted", "change its permissions or copy it")
    return CaptureError(path, f"cannot be read ({error.strerror or error})", "check the disk or copy the file")
