"""Work on many runs without the garbage collector."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Keep the garbage collector off, as a context or a decorator: of ten thousand runs in memory nothing is garbage,
    and looking through them over and over takes a third of the time."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()
