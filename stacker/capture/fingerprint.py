"""The SHA-256 of a capture: tells in every output which input made it."""

from __future__ import annotations

import hashlib
from pathlib import Path

_BLOCK_BYTES = 1 << 20


def fingerprint(path: Path) -> str:
    """Return the hex SHA-256 of a file, or of the names and contents of a folder's files in order of name.

    Raises OSError where something cannot be read.
    """
    digest = hashlib.sha256()
    members = sorted(entry for entry in path.iterdir() if entry.is_file()) if path.is_dir() else [path]
    for member in members:
        if path.is_dir():
            digest.update(member.name.encode() + b"\0")
        with member.open("rb", buffering=0) as file:
            while block := file.read(_BLOCK_BYTES):
                digest.update(block)
    return digest.hexdigest()
