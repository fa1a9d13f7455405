"""Frames that are in memory are a capture like any other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from numpy.typing import NDArray

from stacker.capture import Film


@pytest.mark.parametrize(
    ("dtype", "bits", "expected"),
    [(np.uint8, None, (8, 255.0)), (np.uint16, 12, (12, 4095.0)), (np.float32, None, (32, np.inf))],
)
def test_frames_come_back(dtype: Any, bits: int | None, expected: tuple[int, float]) -> None:
    """By index, in order, into a buffer; never the array itself, which the stages might change."""
    frames = np.random.default_rng(4).integers(0, 255, (5, 12, 16)).astype(dtype)
    film = Film(frames, bits, mosaic="GBRG")
    assert (len(film), film.shape, film.dtype, film.mosaic) == (5, (12, 16), dtype, "GBRG")
    assert (film.bits, film.full_scale) == expected
    assert_array_equal(np.stack(list(film)), frames)
    buffer = np.empty((12, 16), dtype)
    assert film.get_frame(3, buffer) is buffer
    assert_array_equal(buffer, frames[3])
    film.get_frame(3)[:] = 0
    assert_array_equal(film.get_frame(3), buffer)
    for outside in (-1, 5):
        with pytest.raises(IndexError, match=r"outside 0\.\.4"):
            film.get_frame(outside)


@pytest.mark.parametrize(
    "wrong",
    [np.zeros((3, 4, 5)), np.zeros((4, 5), np.uint8), np.zeros((0, 4, 5), np.uint8), np.zeros((2, 4, 5, 4), np.uint8)],
    ids=["float64", "one frame", "no frame", "four channels"],
)
def test_what_is_no_row_of_frames_is_refused(wrong: NDArray[Any]) -> None:
    with pytest.raises(ValueError, match="give uint8, uint16 or float32"):
        Film(wrong)
