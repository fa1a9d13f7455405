"""A digest of a capture's content: tells in every output which input made it."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import IO

from stacker.capture.sequence import CaptureError

WHOLE_BYTES = 1 << 25
"""Files up to this size (32 MiB) are read whole."""
SAMPLE_BYTES = 1 << 16
SAMPLES = 256


def fingerprint(path: Path) -> str:
    """Return the hex SHA-256 of a file, or of the names and contents of a folder's files in order of name.

    Of a file above 32 MiB its length, both ends and 256 evenly spread blocks of 64 KiB are digested: enough to tell any
    two recordings apart (each frame has its own noise) without reading a capture of 50 GB twice.
    Raises CaptureError where something cannot be read.
    """
    digest = hashlib.sha256()
    try:
        members = sorted(entry for entry in path.iterdir() if entry.is_file()) if path.is_dir() else [path]
        for member in members:
            if path.is_dir():
                digest.update(os.fsencode(member.name) + b"\0")
            with member.open("rb", buffering=0) as file:
                _digest_file(file, digest)
    except OSError as error:
        raise CaptureError(
            path, f"cannot be read ({error.strerror or error})", "check the file and the drive"
        ) from error
    return digest.hexdigest()


def _digest_file(file: IO[bytes], digest: hashlib._Hash) -> None:
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    if size <= WHOLE_BYTES:
        while block := file.read(1 << 20):
            digest.update(block)
        return
    digest.update(str(size).encode())
    for number in range(SAMPLES):
        file.seek((size - SAMPLE_BYTES) * number // (SAMPLES - 1))
        digest.update(file.read(SAMPLE_BYTES))
