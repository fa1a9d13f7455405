"""How many pictures the averaging of a colour mosaic holds at once."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from typing import Any

import numpy as np

from stacker.stacking import stack

SHAPE = (240, 320)
PICTURE_BYTES = SHAPE[0] * SHAPE[1] * 3 * 4
MOST_PICTURES = 31
"""Twelve for the six sums in double precision, six for a batch in single, two for what frames may show, one for the
mosaic's masks; the rest for the frame that is carried and for what a step leaves."""


def test_averaging_a_mosaic_holds_few_pictures(by_hand: Callable[..., Any]) -> None:
    """Counted by tracemalloc, which sees what numpy and OpenCV take; by three times the frames not one more."""

    def peak(count: int) -> float:
        rng = np.random.default_rng(6)
        made = by_hand(
            rng.integers(100, 3000, (count, *SHAPE), np.uint16), rng.uniform(-3, 3, (count, 2)), mosaic="RGGB"
        )
        tracemalloc.start()
        try:
            stack(*made, workers=1)
            return tracemalloc.get_traced_memory()[1] / PICTURE_BYTES
        finally:
            tracemalloc.stop()

    few, many = peak(36), peak(108)
    assert many < MOST_PICTURES
    assert abs(many - few) < 0.5
