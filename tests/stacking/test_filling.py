"""Raw samples where the frames' motion fills the grid, a demosaic where it does not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import fourier_shift

from stacker.stacking import stack
from stacker.stacking.demosaic import demosaic
from stacker.stacking.filling import motion_fills_the_grid, share_per_pixel
from stacker.stacking.warping import colour_masks

Make = Callable[..., Any]
RNG = np.random.default_rng(3)


def scene(side: int) -> np.ndarray:
    """Smooth in three unlike colours."""
    rows, columns = np.mgrid[:side, :side]
    planes = [100 + 40 * np.sin(rows / a + columns / b) for a, b in ((5, 7), (6, 4), (4, 9))]
    return np.stack(planes, 2)


def film(by_hand: Make, shifts: np.ndarray, side: int = 64) -> Any:
    frames = []
    for shift in shifts:
        moved = [
            np.fft.ifft2(fourier_shift(np.fft.fft2(plane), shift)).real for plane in np.moveaxis(scene(side), 2, 0)
        ]
        frames.append((np.stack(moved, 2) * colour_masks((side, side), "RGGB")).sum(2))
    return by_hand(np.array(frames, np.float32), shift_px=shifts, mosaic="RGGB")


def test_random_dithers_give_each_colour_its_share_of_the_frames(by_hand: Make) -> None:
    """One cell of four is red, one blue, two green: the tents of a colour sum to that share (elementary)."""
    share = share_per_pixel(film(by_hand, RNG.uniform(-3, 3, (400, 2)), side=32)[2], "RGGB")
    for channel, expected in enumerate((1 / 4, 1 / 2, 1 / 4)):
        assert share[..., channel] == pytest.approx(np.full(share.shape[:-1], expected), rel=0.2)
    assert share.sum(-1) == pytest.approx(np.ones(share.shape[:-1]), rel=1e-6)


def test_frames_that_stand_still_leave_three_of_four_red_pixels_empty(by_hand: Make) -> None:
    share = share_per_pixel(film(by_hand, np.zeros((12, 2)))[2], "RGGB")
    assert (share[..., 0] > 0).mean() == pytest.approx(1 / 4)
    assert (share[..., 1] > 0).mean() == pytest.approx(1 / 2)


@pytest.mark.parametrize(("spread_px", "fills"), [(0.0, False), (0.2, False), (3.0, True)])
def test_the_choice_follows_the_motion_and_is_told(spread_px: float, fills: bool, by_hand: Make) -> None:
    """Either way the scene comes back: 0.5 of 100 is what interpolation leaves of these smooth colours."""
    capture = film(by_hand, np.random.default_rng(5).uniform(-spread_px, spread_px, (60, 2)))
    assert motion_fills_the_grid(capture[2], "RGGB") is fills
    result = stack(*capture)
    assert any("demosaiced" in note for note in result.notes) is not fills
    inner = np.s_[10:-10, 10:-10]
    assert np.abs(result.image[inner] - scene(64)[inner]).mean() < 1.0


def test_a_still_mosaic_is_the_mean_of_its_demosaiced_frames(by_hand: Make) -> None:
    capture = film(by_hand, np.zeros((10, 2)))
    expected = demosaic(capture[0].frames[0], "RGGB")
    assert stack(*capture).image == pytest.approx(expected, rel=1e-5)


def test_a_demosaiced_target_is_kept_in_light(by_hand: Make) -> None:
    """Flux of every colour to 1e-4 through demosaic and averaging."""
    rows, columns = np.mgrid[:64, :64] - 31.3
    spot = np.exp(-(rows**2 + columns**2) / 60)[..., None] * np.array([500, 900, 300])
    raw = (spot * colour_masks((64, 64), "RGGB")).sum(2).astype(np.float32)
    result = stack(*by_hand(np.repeat(raw[None], 10, 0), mosaic="RGGB"))
    assert result.image.sum((0, 1), dtype=float) == pytest.approx(spot.sum((0, 1)), rel=1e-4)


@pytest.mark.parametrize("fills", [True, False])
def test_a_moving_target_is_kept_in_light(fills: bool, by_hand: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """Flux of every colour to 1e-4 through raw samples or a demosaic and averaging, 400 frames at sub-pixel shifts."""
    monkeypatch.setattr("stacker.stacking.carrying.motion_fills_the_grid", lambda *_: fills)
    shifts = np.random.default_rng(7).uniform(-2, 2, (400, 2))
    rows, columns = np.mgrid[:64, :64] - 31.5
    masks, frames = colour_masks((64, 64), "RGGB"), []
    for dy, dx in shifts:
        spot = np.exp(-((rows - dy) ** 2 + (columns - dx) ** 2) / 60)[..., None] * np.array([500, 900, 300])
        frames.append((spot * masks).sum(2))
    result = stack(*by_hand(np.array(frames, np.float32), shift_px=shifts, mosaic="RGGB"))
    expected = 60 * np.pi * np.array([500, 900, 300])
    assert result.image.sum((0, 1), dtype=float) == pytest.approx(expected, rel=1e-4)
