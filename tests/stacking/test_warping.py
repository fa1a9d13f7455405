"""Carrying pixels to the common geometry: fields over whole frames, interpolation, and mosaics without false colour."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from drizzle.resample import Drizzle
from numpy.testing import assert_allclose, assert_array_equal
from scipy.ndimage import fourier_shift, gaussian_filter

from stacker.alignment.level import Inside, seen
from stacker.interpolation import interpolate
from stacker.stacking.accumulator import Accumulator
from stacker.stacking.warping import Warper, carry_mosaic, colour_masks, green_of

MOSAICS = ("RGGB", "BGGR", "GRBG", "GBRG")
Maps = tuple[np.ndarray, np.ndarray]


def shifted_maps(shape: tuple[int, int], shift_px: tuple[float, float]) -> Maps:
    rows, columns = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    return rows + np.float32(shift_px[0]), columns + np.float32(shift_px[1])


def test_fields_reach_every_pixel_of_the_frame(by_hand: Callable[..., Any]) -> None:
    """Inside the region the field of the splines, at its true place; the coarse shift on top."""
    frames = np.zeros((1, 96, 128), np.float32)
    _, _, plain = by_hand(frames)
    y = np.random.default_rng(1).normal(size=(1, 1, plain.modes.count)).astype(np.float32)
    _, _, alignment = by_hand(frames, shift_px=[[3.25, -7.5]], coefficients=y)
    rows, columns = Warper.over(alignment, (96, 128)).maps(0)
    dy, dx = alignment.level(1).displacement(alignment.modes, y[0].astype(float))
    grid = np.mgrid[:96, :128]
    # The outermost pixels of the binned field have no neighbour to be interpolated from.
    inner = np.s_[2:-2, 2:-2]
    assert_allclose((rows - grid[0] - 3.25)[inner], dy[inner], atol=0.02)
    assert_allclose((columns - grid[1] + 7.5)[inner], dx[inner], atol=0.02)


def test_maps_that_go_nowhere_change_nothing() -> None:
    plane = np.random.default_rng(2).normal(100, 9, (40, 50)).astype(np.float32)
    still = shifted_maps((40, 50), (0, 0))
    assert_array_equal(interpolate(plane, still, "cubic"), plane)
    assert seen(still, still, (0, 0, 39, 49)) is None


@pytest.mark.parametrize("shift_px", [(3, -5), (0.5, 0.25), (-1.7, 2.2)])
def test_the_frame_is_sampled_where_the_target_stands(shift_px: tuple[float, float]) -> None:
    """Against a Fourier shift of a band-limited picture of rms 1, away from the borders: cubic convolution over four
    pixels leaves 2 % rms there; whole pixels are exact."""
    still = gaussian_filter(np.random.default_rng(3).normal(size=(64, 64)), 2, mode="wrap")
    still /= still.std()
    frame = np.fft.ifft2(fourier_shift(np.fft.fft2(still), shift_px)).real.astype(np.float32)
    maps = shifted_maps((64, 64), shift_px)
    wrong = (interpolate(frame, maps, "cubic") - still)[8:-8, 8:-8]
    assert np.sqrt((wrong**2).mean()) < (0.03 if shift_px[0] % 1 else 1e-5)
    assert np.abs(wrong).max() < 0.1
    inside = seen(maps, shifted_maps((64, 64), (0, 0)), (0, 0, 63, 63))
    rows, columns = maps
    assert inside is not None
    assert_array_equal(inside.mask > 0, (rows >= 0) & (rows <= 63) & (columns >= 0) & (columns <= 63))
    assert_rims_hold_all_that_is_missed(inside)


def test_a_bent_field_leaves_the_frame_where_it_does() -> None:
    still = shifted_maps((70, 90), (0, 0))
    wave = 3 * np.sin(still[1] / 14), -4 * np.cos(still[0] / 17 + still[1] / 40)
    rows, columns = (base + moved.astype(np.float32) for base, moved in zip(still, wave, strict=True))
    inside = seen((rows, columns), still, (1, -2, 66, 88))
    assert inside is not None
    assert_array_equal(inside.mask > 0, (rows >= 1) & (rows <= 66) & (columns >= -2) & (columns <= 88))
    assert_rims_hold_all_that_is_missed(inside)


def assert_rims_hold_all_that_is_missed(inside: Inside) -> None:
    """Each pixel once at most."""
    times = np.zeros(inside.mask.shape, int)
    for rim in inside.rims:
        times[rim] += 1
    assert times.max() == 1
    assert times[inside.mask == 0].all()


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_masks_hold_each_pixel_once(mosaic: str) -> None:
    masks = colour_masks((6, 8), mosaic)
    assert_array_equal(masks.sum(2), 1)
    assert_array_equal(masks.mean((0, 1)), [0.25, 0.5, 0.25])
    assert ["RGB"[int(masks[place].argmax())] for place in ((0, 0), (0, 1), (1, 0), (1, 1))] == list(mosaic)


def averaged(raws: np.ndarray, maps: list[Maps], mosaic: str) -> Accumulator:
    masks = colour_masks(raws.shape[1:], mosaic)
    sums = Accumulator(masks.shape)
    for number, (raw, place) in enumerate(zip(raws, maps, strict=True)):
        samples, weights = carry_mosaic(raw, masks, place)
        sums.add(number % 2, samples / np.maximum(weights, np.float32(1e-6)), 1.0, weights)
    return sums


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_one_colour_comes_back_exactly(mosaic: str) -> None:
    """A scene of one colour through a mosaic, at any sub-pixel shifts: no pixel differs from that colour."""
    colour, shape = np.array([180.0, 90.0, 40.0], np.float32), (32, 40)
    raw = colour_masks(shape, mosaic) @ colour
    shifts = np.random.default_rng(4).uniform(-3, 3, (24, 2))
    sums = averaged(np.stack([raw] * 24), [shifted_maps(shape, tuple(shift)) for shift in shifts], mosaic)
    inner = np.s_[4:-4, 4:-4]
    assert_allclose(sums.mean()[inner], np.broadcast_to(colour, (24, 32, 3)), rtol=1e-5)
    assert sums.weight()[inner].min() > 0


def centroid(image: np.ndarray) -> np.ndarray:
    rows, columns = np.mgrid[: image.shape[0], : image.shape[1]]
    return np.array([(image * rows).sum(), (image * columns).sum()]) / image.sum()


def test_mosaic_samples_fall_where_drizzle_lays_them() -> None:
    """The `drizzle` library (Fruchter & Hook 2002, PASP 114, 144) on the same raw mosaic frames, colour by colour.

    A round spot of 2.5 px sigma at random dithers: flux to 1e-3 and centroid to 0.02 px of the truth. A drop as large
    as its pixel overlaps the output in a tent, so pixel by pixel both are the same.
    """
    shape, count, middle, sigma = (48, 56), 300, (24.3, 27.6), 2.5
    rng = np.random.default_rng(5)
    shifts = rng.uniform(-4, 4, (count, 2))
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    masks = colour_masks(shape, "GRBG")
    light = np.array([1000.0, 700.0, 1300.0])
    raws = []
    for dy, dx in shifts:
        spot = np.exp(-((rows - middle[0] - dy) ** 2 + (columns - middle[1] - dx) ** 2) / (2 * sigma**2))
        raws.append((spot[..., None] * light * masks).sum(2))
    raw = np.array(raws, np.float32)
    ours = averaged(raw, [shifted_maps(shape, tuple(shift)) for shift in shifts], "GRBG").mean()
    for channel in range(3):
        laid = Drizzle(kernel="square", fillval="0", out_shape=shape)
        for frame, (dy, dx) in zip(raw, shifts, strict=True):
            places = np.stack([columns - dx, rows - dy], axis=2).astype(float)
            laid.add_image(
                frame, exptime=1.0, pixmap=places, weight_map=masks[..., channel], pixfrac=1.0, in_units="cps"
            )
        cut = np.s_[8:-8, 8:-8]
        mine, theirs = ours[cut][..., channel].astype(float), np.nan_to_num(laid.out_img[cut]).astype(float)
        assert mine.sum() == pytest.approx(theirs.sum(), rel=1e-4)
        assert mine.sum() == pytest.approx(2 * np.pi * sigma**2 * light[channel], rel=1e-3)
        assert_allclose(mine, theirs, atol=1e-4 * light[channel])
        assert_allclose(centroid(mine) + 8, middle, atol=0.02)


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_green_is_left_where_it_was_seen_and_filled_by_its_neighbours(mosaic: str) -> None:
    """A slope of green is kept everywhere; red and blue never enter."""
    rows, columns = np.mgrid[:20, :24].astype(np.float32)
    scene = np.stack([np.full((20, 24), 900.0), 100 + 2 * rows + 3 * columns, np.full((20, 24), 500.0)], axis=2)
    raw = (scene * colour_masks((20, 24), mosaic)).sum(2).astype(np.float32)
    assert_allclose(green_of(raw, mosaic)[1:-1, 1:-1], scene[1:-1, 1:-1, 1], rtol=1e-5)
