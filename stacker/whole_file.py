"""A file that appears whole or not at all: written beside, then renamed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a hidden file beside `path` to write, which takes its place at the end; whatever fails leaves `path` as it
    was, and nothing beside it. Raises OSError where the system refuses."""
    temporary = path.with_name(f".{path.name}.part{os.getpid()}")
    try:
        yield temporary
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
