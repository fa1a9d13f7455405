"""How many bits of a stored number are real, and the value at which the converter saturates."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from stacker.capture.sequence import Frame

_USUAL_BITS = (12, 14, 16)


@dataclass(frozen=True)
class Depth:
    """Significant bits, saturation value, and what had to be assumed."""

    bits: int
    full_scale: float
    note: str | None = None


def find_depth(samples: Iterable[Frame], declared_bits: int | None) -> Depth:
    """Find bits and full scale from a few frames and, where known, the bits that header or sidecar declare.

    `samples` are frames of one dtype (uint8, uint16 or float32), any shape. A 12-bit converter's numbers
    may lie low in 16 bits (full scale 4095), high (65520, the four low bits never set) or be spread to 65535.

    Limits: with nothing declared, a capture whose sampled frames stay below 4096 counts as 12 bits.
    """
    used = highest = 0
    for frame in samples:
        if frame.dtype == np.float32:
            return Depth(32, float("inf"))
        if frame.dtype == np.uint8:
            return Depth(min(declared_bits or 8, 8), 255.0)
        used |= int(np.bitwise_or.reduce(frame, axis=None))
        highest = max(highest, int(frame.max()))
    if declared_bits is not None and declared_bits < 16:
        return _declared_depth(used, highest, declared_bits)
    if declared_bits is not None or used == 0:
        return Depth(16, 65535.0)
    return _assumed_depth(used, highest)


def _declared_depth(used: int, highest: int, bits: int) -> Depth:
    low_mask = (1 << (16 - bits)) - 1
    if used and not used & low_mask:
        return Depth(bits, float(0xFFFF & ~low_mask))
    if highest < 1 << bits:
        return Depth(bits, float((1 << bits) - 1))
    return Depth(bits, 65535.0, f"values up to {highest} exceed {bits} bits: taken as spread over 16 bits")


def _assumed_depth(used: int, highest: int) -> Depth:
    empty = (used & -used).bit_length() - 1
    if empty:
        return Depth(
            16 - empty,
            float(0xFFFF & ~((1 << empty) - 1)),
            f"{16 - empty} significant bits in the high end assumed: the low {empty} bits are never set",
        )
    bits = next(bits for bits in (*((10,) if highest == 1023 else ()), *_USUAL_BITS) if highest < 1 << bits)
    note = None if bits == 16 else f"{bits} significant bits assumed: no sampled value exceeds {highest}"
    return Depth(bits, float((1 << bits) - 1), note)
