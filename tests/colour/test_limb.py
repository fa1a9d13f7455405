"""A disc's limb against belts whose colours differ, and errors that say what the shifts are worth."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt, fourier_shift, gaussian_filter

from stacker.alignment.correlation import Shift
from stacker.colour.limb import agreed, limb_window
from stacker.colour.registering import plane_shift

SIDE_PX, RADIUS_PX = 128, 42
APART_PX = (0.8, -0.3)
ROWS, COLUMNS = np.indices((SIDE_PX, SIDE_PX)) - (SIDE_PX - 1) / 2
MASK = np.hypot(ROWS, COLUMNS) < RADIUS_PX


def disc(belts: np.ndarray, shift_px: tuple[float, float], rng: np.random.Generator) -> np.ndarray:
    """Return a blurred, noisy disc with belts (H, 1), moved."""
    limb = np.clip(RADIUS_PX - np.hypot(ROWS, COLUMNS) + 0.5, 0, 1)
    moved = fourier_shift(np.fft.fft2(gaussian_filter(1000 * limb * belts, 2)), shift_px)
    return np.asarray(np.fft.ifft2(moved).real + rng.normal(0, 3, MASK.shape), np.float32)


def belt(row: float) -> np.ndarray:
    return np.asarray(0.4 * np.exp(-(((ROWS[:, :1] - row) / 4) ** 2)))


def error_of(red: np.ndarray, green: np.ndarray, seed: int) -> tuple[np.ndarray, float]:
    """Return (2,) the error of the shift between discs with belts, and what is stated."""
    rng = np.random.default_rng(seed)
    found = plane_shift(disc(red, APART_PX, rng), disc(green, (0, 0), rng), MASK, "disc")
    return np.array([found.dy_px, found.dx_px]) - APART_PX, found.error_px


@pytest.mark.parametrize("second", [False, True])
def test_a_belt_that_stands_elsewhere_in_another_colour_is_not_followed(second: bool) -> None:
    """By two pixels: 0.1 px is what the disc as a whole says, 0.05 px is asked for."""
    red, green = 1 - belt(11), 1 - belt(9)
    if second:
        red, green = red - belt(-11), green - belt(-12)
    for seed in range(3):
        assert np.abs(error_of(red, green, seed)[0]).max() < 0.055


def test_stated_errors_are_honest() -> None:
    """Belts half as strong again in one colour by chance: the rms ratio of 48 errors to those stated is 1 to a half."""
    ratios = []
    for seed in range(24):
        shared, *own = gaussian_filter(np.random.default_rng(seed).normal(0, 1, (3, SIDE_PX)), (0, 2.5))
        wrong, stated = error_of(*(1 + 0.5 * (shared + 0.5 * part)[:, None] for part in own), seed)
        ratios.append(wrong / stated)
    assert 0.5 < np.sqrt(np.mean(np.square(ratios))) < 1.5


def test_the_window_follows_the_edge() -> None:
    """Near 1 on the edge, below 0.05 twelve pixels inside and fourteen outside, by the distances of SciPy."""
    rows, columns = np.indices((96, 96)) - 47.5
    mask = np.hypot(rows, columns) < 30
    window = limb_window(mask)
    inward, outward = distance_transform_edt(mask), distance_transform_edt(~mask)
    assert window[(inward == 1) | (outward == 1)].min() > 0.85
    assert window[inward > 12].max() < 0.05
    assert window[outward > 14].max() < 0.05


def test_agreement_and_disagreement() -> None:
    whole, limb = Shift(1.0, 2.0, 0.02, 0.9), Shift(1.0, 2.0, 0.01, 0.5)
    both = agreed(whole, limb, 0.0)
    assert (both.dy_px, both.dx_px) == pytest.approx((1.0, 2.0))
    assert both.error_px == pytest.approx(0.02 / np.sqrt(2))
    torn = agreed(whole, Shift(1.4, 2.0, 0.01, 0.5), 0.0)
    assert torn.dy_px == pytest.approx(1.2)
    # Ten standard errors of the difference along one of two axes.
    assert torn.error_px == pytest.approx(0.02 / np.sqrt(2) * 10)
    assert agreed(whole, Shift(9.0, 9.0, inf, 0.0), 0.0) is whole
