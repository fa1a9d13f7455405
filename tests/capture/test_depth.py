"""Significant bits and full scale of 12 bits in 16, in either alignment."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.capture.depth import find_depth


def noise(top: int, step: int = 1) -> list[np.ndarray[tuple[int, ...], np.dtype[np.uint16]]]:
    rng = np.random.default_rng(3)
    return [(rng.integers(0, top // step + 1, (40, 50)) * step).astype(np.uint16) for _ in range(3)]


@pytest.mark.parametrize(
    ("top", "step", "declared", "bits", "full_scale", "noted"),
    [
        (4095, 1, 12, 12, 4095, False),
        (65520, 16, 12, 12, 65520, False),
        (4000, 16, 12, 12, 65520, False),  # dark, yet high: its four low bits are never set
        (900, 1, 12, 12, 4095, False),
        (65535, 1, 12, 12, 65535, True),  # spread over the whole range by the recording
        (65535, 1, 16, 16, 65535, False),
        (900, 1, 16, 16, 65535, False),
        (16383, 1, 14, 14, 16383, False),
        (4095, 1, None, 12, 4095, True),
        (65520, 16, None, 12, 65520, True),
        (65532, 4, None, 14, 65532, True),
        (16383, 1, None, 14, 16383, True),
        (65535, 1, None, 16, 65535, False),
        (1023, 1, None, 10, 1023, True),
        (700, 1, None, 12, 4095, True),
    ],
)
def test_alignment(top: int, step: int, declared: int | None, bits: int, full_scale: int, noted: bool) -> None:
    """Converters of 10 to 16 bits, their numbers low or high in 16 (common practice, no source)."""
    depth = find_depth(noise(top, step), declared)
    assert (depth.bits, depth.full_scale) == (bits, full_scale)
    assert (depth.note is not None) == noted


def test_black_frames_tell_nothing() -> None:
    """All-zero data keep the whole 16 bits, or what is declared."""
    black = [np.zeros((4, 4), np.uint16)]
    assert find_depth(black, None).full_scale == 65535
    assert find_depth(black, 12).full_scale == 4095


def test_bytes_and_floats() -> None:
    """Eight bits saturate at 255 whatever is declared; floats have no ceiling."""
    assert find_depth([np.zeros((4, 4), np.uint8)], 12).full_scale == 255
    assert find_depth([np.zeros((4, 4), np.float32)], 12).full_scale == np.inf
    assert find_depth([np.zeros((4, 4), np.float32)], None).bits == 32
