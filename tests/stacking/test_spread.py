"""Quick interpolation only where frames stand at all fractions of a pixel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from stacker.stacking import stack
from stacker.stacking.spread import stand_everywhere

Make = Callable[..., Any]
RNG = np.random.default_rng(17)


@pytest.mark.parametrize(
    ("shift_px", "everywhere"),
    [
        (np.zeros((60, 2)), False),
        (RNG.integers(-4, 5, (60, 2)), False),
        (RNG.integers(-4, 5, (60, 2)) + [0.5, 0.5], False),
        (RNG.uniform(-4, 4, (60, 2)) * [1, 0], False),
        (RNG.uniform(-4, 4, (60, 2)), True),
        (RNG.normal(0, 0.7, (60, 2)), True),
        (np.linspace(0, 6, 60)[:, None] * [1, -0.7], True),
    ],
    ids=["still", "whole pixels", "half pixels", "along rows only", "jumping", "trembling", "drifting"],
)
def test_fractions_of_a_pixel(shift_px: NDArray[np.float64], everywhere: bool, by_hand: Make) -> None:
    frames = np.full((len(shift_px), 64, 64), 100, np.uint8)
    assert stand_everywhere(by_hand(frames, shift_px=shift_px)[2]) is everywhere


def test_frames_that_stand_still_are_averaged_as_they_are(by_hand: Make) -> None:
    frames = np.random.default_rng(5).normal(100, 9, (40, 64, 64)).astype(np.float32)
    assert_allclose(stack(*by_hand(frames)).image, frames.mean(0), rtol=1e-5)
