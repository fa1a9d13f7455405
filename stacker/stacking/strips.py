"""A picture worked through a few rows at a time: what each step leaves fits the cache, and no whole frame is copied."""

from __future__ import annotations

from collections.abc import Iterator

STRIP_BYTES = 1 << 18


def strips(shape: tuple[int, ...], item_bytes: int = 4) -> Iterator[slice]:
    """Yield slices of rows that cover an array of `shape` (H, W) or (H, W, C), about 256 KiB of it each."""
    row_bytes = item_bytes
    for size in shape[1:]:
        row_bytes *= size
    step = max(1, STRIP_BYTES // max(row_bytes, 1))
    for first in range(0, shape[0], step):
        yield slice(first, min(first + step, shape[0]))
