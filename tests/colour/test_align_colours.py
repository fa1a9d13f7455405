"""Channels displaced by the air's dispersion come together; nothing else changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.ndimage import fourier_shift, gaussian_filter
from scipy.ndimage import shift as spline_shift
from skimage.data import moon

from stacker.alignment.correlation import measure_shift
from stacker.colour import align_colours, colour_shifts
from stacker.colour.registering import moved_back
from stacker.stacking.record import Stack

RED, BLUE = np.array([2.5, 0.3]), np.array([-1.7, -0.2])
"""(dy, dx) px against green: dispersion is vertical, the camera a little turned (common practice, no source)."""


def moved(plane: np.ndarray, shift_px: np.ndarray) -> np.ndarray:
    return np.asarray(np.fft.ifft2(fourier_shift(np.fft.fft2(plane), shift_px)).real)


def stack_of(planes: list[np.ndarray], mask: np.ndarray, kind: str) -> Stack:
    image = np.stack(planes, axis=2).astype(np.float32)
    rest = {name: image.copy() for name in ("half_a", "half_b")}
    rest |= {"variance": np.ones_like(image), "coverage": np.full_like(image, 50)}
    return Stack(image=image, mask=mask, kind=kind, frame_power=None, weights=np.ones(1), **rest)


def surface(noise: float, side_px: int = 320) -> Stack:
    """scikit-image's picture of the Moon in three colours of unlike strength."""
    rng = np.random.default_rng(1)
    first = (512 - side_px) // 2
    cut = np.s_[first : first + side_px, first : first + side_px]
    scene = gaussian_filter(moon().astype(float), 1.2)
    planes = [
        gain * moved(scene, shift)[cut] + rng.normal(0, noise, (side_px, side_px))
        for gain, shift in ((0.8, RED), (1.0, np.zeros(2)), (0.5, BLUE))
    ]
    return stack_of(planes, np.ones((side_px, side_px), bool), "surface")


def disc(radius_px: float, noise: float, side_px: int = 128) -> Stack:
    """A banded disc on a sky of its own in each colour."""
    rng = np.random.default_rng(2)
    rows, columns = np.mgrid[:side_px, :side_px] - (side_px - 1) / 2
    limb = np.clip(radius_px - np.hypot(rows, columns) + 0.5, 0, 1)
    planes = []
    for gain, contrast, sky, shift in ((0.9, 0.08, 6, RED), (1.0, 0.15, 4, np.zeros(2)), (0.6, 0.25, 9, BLUE)):
        bands = 1 + contrast * np.sin(rows / radius_px * 7)
        plane = moved(gaussian_filter(1000 * gain * limb * bands, 1.5), shift) + sky
        planes.append(plane + rng.normal(0, noise, plane.shape))
    return stack_of(planes, np.hypot(rows, columns) < radius_px, "disc")


@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_shifts_of_a_surface(noise: float) -> None:
    """0.05 px is asked for, 0.012 px of 2.5 px is what the window's pull leaves; 0.02 px stand for unlike colours."""
    for found, true in zip(colour_shifts(surface(noise)), (RED, BLUE), strict=True):
        assert (found.dy_px, found.dx_px) == pytest.approx(tuple(true), abs=0.02)
        assert 0.02 <= found.error_px < 0.023


@pytest.mark.parametrize("radius_px", [6, 20, 40])
def test_shifts_of_a_disc(radius_px: float) -> None:
    """Also where the colours show bands of unlike strength; 0.05 px, on a disc of 12 px a tenth."""
    for found, true in zip(colour_shifts(disc(radius_px, 3)), (RED, BLUE), strict=True):
        assert (found.dy_px, found.dx_px) == pytest.approx(tuple(true), abs=0.05 if radius_px > 10 else 0.1)


def test_a_disc_that_the_frame_cuts_is_not_tied_to_the_cut() -> None:
    """Bands run out of the frame, the colours stand apart along them: 0.02 px, as of a surface."""
    whole, along = disc(60, 3, side_px=192), np.array([0.2, 3.1])
    planes = [moved(whole.image[..., 1].astype(float), sign * along) for sign in (1, 0, -1)]
    cut = np.s_[:, 48:-48]
    found = colour_shifts(stack_of([plane[cut] for plane in planes], whole.mask[cut], "disc"))
    for shift, sign in zip(found, (1, -1), strict=True):
        assert (shift.dy_px, shift.dx_px) == pytest.approx(tuple(sign * along), abs=0.02)


def test_afterwards_nothing_is_left() -> None:
    """A fiftieth of a pixel, five times what is stated."""
    before = surface(0.5)
    done = align_colours(before)
    for found in colour_shifts(done):
        assert np.hypot(found.dy_px, found.dx_px) < 0.02
    assert_array_equal(done.image[..., 1], before.image[..., 1])
    for channel, gain in ((0, 0.8), (2, 0.5)):
        inner = np.s_[20:-20, 20:-20, channel]
        wrong = done.image[inner] - gain * before.image[20:-20, 20:-20, 1]
        assert wrong.std() < 0.1 * before.image[inner].std()


def test_flux_is_kept() -> None:
    """A disc well inside the frame: light of each colour to 1e-4."""
    before = disc(30, 0)
    after = align_colours(before)
    assert after.image.sum((0, 1), dtype=float) == pytest.approx(before.image.sum((0, 1), dtype=float), rel=1e-4)
    assert after.half_a.sum((0, 1), dtype=float) == pytest.approx(before.half_a.sum((0, 1), dtype=float), rel=1e-4)


def test_everything_of_a_colour_moves_together() -> None:
    before = surface(0.5)
    marked = replace(before, half_b=before.image[::-1].copy(), coverage=before.image.copy())
    after = align_colours(marked)
    inner = np.s_[10:-10, 10:-10, 0]
    assert_array_equal(after.half_a[inner], after.image[inner])
    assert np.abs(after.coverage[inner] - after.image[inner]).max() < 0.2 * np.ptp(after.image[inner])
    assert not np.array_equal(after.half_b[inner], marked.half_b[inner])


def test_colours_of_noise_are_left_alone_and_that_is_said() -> None:
    planes = list(np.moveaxis(surface(0.5).image, 2, 0))
    for channel in (0, 2):
        planes[channel] = np.random.default_rng(3 + channel).normal(10, 1, planes[2].shape)
    before = stack_of(planes, np.ones(planes[0].shape, bool), "surface")
    after = align_colours(before)
    assert_array_equal(after.image, before.image)
    for name in ("red", "blue"):
        assert any(name in note and "could not" in note for note in after.notes)


def test_one_colour_of_noise_is_moved_as_air_would() -> None:
    """Blue goes the other way, 1.57 times as far as red: table I of Filippenko 1982 (PASP 94, 715), interpolated.

    Relative to 500 nm at sec z = 1.5 it gives +0.29" at 450, -0.21" at 550, -0.37" at 600, -0.50" at 650 nm, so some
    +0.19" at 465, -0.17" at 540, -0.40" at 610 nm.
    """
    planes = list(np.moveaxis(surface(0.5).image, 2, 0))
    planes[2] = np.random.default_rng(3).normal(10, 1, planes[2].shape)
    after = align_colours(stack_of(planes, np.ones(planes[0].shape, bool), "surface"))
    assert after.colour_shifts is not None
    blue = after.colour_shifts[1]
    assert (blue.dy_px, blue.dx_px) == pytest.approx(tuple(-1.57 * RED), rel=0.07)
    assert 0.2 < blue.error_px < 0.4 * 4
    assert any(note.startswith("red stood +2.") and "down" in note for note in after.notes)
    assert any("blue" in note and "as the air spreads" in note for note in after.notes)


def test_a_pattern_fixed_to_the_sensor_does_not_pull() -> None:
    """The colours of a mosaic leave a checkerboard of their own: 3 % of it moved the red of a planet by a third px."""
    planes = list(np.moveaxis(disc(30, 1).image, 2, 0))
    for plane in planes:
        plane[::2, ::2] *= 1.03
        plane[1::2, 1::2] *= 0.97
    mask = disc(30, 1).mask
    for found, true in zip(colour_shifts(stack_of(planes, mask, "disc")), (RED, BLUE), strict=True):
        assert (found.dy_px, found.dx_px) == pytest.approx(tuple(true), abs=0.05)


def test_gray_is_returned_as_it_is() -> None:
    gray = surface(0.5)
    gray = replace(gray, image=gray.image[..., 0])
    assert align_colours(gray) is gray


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_fine_detail_that_the_air_displaced_in_one_colour_does_not_pull(seed: int) -> None:
    """A coma of the transfer functions, cubic in frequency, moves what is fine and leaves the centre of light.

    0.4 px at 0.2 cycles per px is what 80 frames at D/r0 5 leave (simulated). A correlation that trusts every ring by
    its coherence alone is then off by 0.1 px or more; that is checked too, the case must not be an easy one.
    """
    rng = np.random.default_rng(seed)
    side = 256
    fy, fx = np.meshgrid(np.fft.fftfreq(side), np.fft.fftfreq(side), indexing="ij")
    scene = np.fft.fft2(gaussian_filter(moon()[100:356, 100:356].astype(float), 1.0))
    planes = []
    for shift in (RED / 3, np.zeros(2), BLUE / 3):
        way = rng.normal(0, 1, 2)
        way *= 0.4 / np.hypot(*way)
        coma = 2 * np.pi * (fy * way[0] + fx * way[1]) * (fy**2 + fx**2) / 0.2**2
        turned = scene * np.exp(-1j * (2 * np.pi * (fy * shift[0] + fx * shift[1]) + coma))
        planes.append(np.fft.ifft2(turned).real + rng.normal(0, 0.5, (side, side)))
    window = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    naive, off = [], []
    stack = stack_of(planes, np.ones((side, side), bool), "surface")
    for colour, found, true in zip((0, 2), colour_shifts(stack), (RED / 3, BLUE / 3), strict=True):
        off.append(np.hypot(found.dy_px - true[0], found.dx_px - true[1]))
        assert off[-1] < 3 * found.error_px
        plain = measure_shift(stack.image[..., colour], stack.image[..., 1], window)
        naive.append(np.hypot(plain.dy_px - true[0], plain.dx_px - true[1]))
    assert max(naive) > 0.1
    assert max(off) < min(0.08, max(naive) / 2)


@pytest.mark.parametrize("order", [1, 3])
@pytest.mark.parametrize("back_px", [(0.3, -2.7), (0.0, 0.0), (-4.2, 3.0), (12.5, -0.01)])
def test_planes_move_as_by_scipy(back_px: tuple[float, float], order: int) -> None:
    """Its splines with the same mirror, to the last bits of float32."""
    plane = np.random.default_rng(0).normal(1000, 100, (40, 50, 3)).astype(np.float32)[..., 1]
    slow = spline_shift(plane.astype(float), (-back_px[0], -back_px[1]), order=order, mode="mirror")
    assert_allclose(moved_back(plane, back_px, order), slow, rtol=1e-6)
