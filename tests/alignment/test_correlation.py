"""The shift between two views of a scene: sign, window, light that changes, honesty where nothing is shared."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import fourier_shift, gaussian_filter

from stacker.alignment.correlation import measure_shift, patch_shifts

Image = NDArray[np.float32]
SIDE_PX = 64
WINDOW = np.outer(np.hanning(SIDE_PX), np.hanning(SIDE_PX)).astype(np.float32)


def pair(rng: np.random.Generator, shift_px: tuple[float, float], noise: float = 0.1) -> tuple[Image, Image]:
    """Return the moved and the unmoved view, cut from a larger scene of rms 1: their borders differ."""
    smooth = gaussian_filter(rng.normal(size=(2 * SIDE_PX, 2 * SIDE_PX)), 2.0, mode="wrap")
    smooth /= smooth.std()
    moved = np.fft.ifft2(fourier_shift(np.fft.fft2(smooth), shift_px)).real
    cut = np.s_[SIDE_PX // 2 : -SIDE_PX // 2, SIDE_PX // 2 : -SIDE_PX // 2]
    views = [np.asarray(10 + view[cut] + rng.normal(0, noise, (SIDE_PX, SIDE_PX))) for view in (moved, smooth)]
    return views[0].astype(np.float32), views[1].astype(np.float32)


def test_a_scene_further_down_and_left_has_positive_dy_and_negative_dx() -> None:
    reference = np.zeros((48, 48), np.float32)
    reference[20:26, 22:27] = 1
    found = measure_shift(np.roll(reference, (5, -3), (0, 1)), reference)
    assert (found.dy_px, found.dx_px) == pytest.approx((5, -3), abs=1e-3)


def test_swapping_the_images_turns_the_sign() -> None:
    image, reference = pair(np.random.default_rng(1), (1.3, -2.1))
    there, back = measure_shift(image, reference, WINDOW), measure_shift(reference, image, WINDOW)
    assert (there.dy_px, there.dx_px) == pytest.approx((-back.dy_px, -back.dx_px), abs=1e-3)
    assert there.error_px == pytest.approx(back.error_px, rel=1e-3)


def test_brightness_offset_and_gradient_hardly_matter() -> None:
    """Factor 1.3, offset 20 scene rms, and a slope of light of 20 % across the window: 0.02 px at most."""
    rng = np.random.default_rng(2)
    light = 1 + 0.2 * np.arange(SIDE_PX, dtype=np.float32)[None] / SIDE_PX
    for _ in range(10):
        image, reference = pair(rng, tuple(rng.uniform(-2, 2, 2)))
        plain = measure_shift(image, reference, WINDOW)
        scaled = measure_shift(1.3 * image + 20, reference, WINDOW)
        lit = measure_shift(image * light, reference, WINDOW)
        assert abs(scaled.dy_px - plain.dy_px) + abs(scaled.dx_px - plain.dx_px) < 0.002
        assert max(abs(lit.dy_px - plain.dy_px), abs(lit.dx_px - plain.dx_px)) < 0.02


def test_under_a_window_the_error_stays_honest() -> None:
    """Borders enter and leave: the scatter of 60 pairs over the stated error, both axes."""
    rng = np.random.default_rng(3)
    wrong, stated = [], []
    for _ in range(60):
        true = tuple(rng.uniform(-0.5, 0.5, 2))
        found = measure_shift(*pair(rng, true, 0.3), WINDOW)
        wrong += [found.dy_px - true[0], found.dx_px - true[1]]
        stated.append(found.error_px)
    assert 0.7 < np.std(wrong) / np.sqrt(np.mean(np.square(stated))) < 1.4


@pytest.mark.parametrize("window", [None, WINDOW], ids=["periodic", "window"])
def test_two_noises_share_nothing(window: Image | None) -> None:
    """The best of 4096 shifts of pure noise is never given a finite error."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        image, reference = rng.normal(size=(2, SIDE_PX, SIDE_PX)).astype(np.float32)
        assert measure_shift(image, reference, window).error_px == np.inf


@pytest.mark.parametrize("noise", [1.0, 0.1])
def test_a_scene_is_told_from_noise(noise: float) -> None:
    rng = np.random.default_rng(5)
    for _ in range(10):
        found = measure_shift(*pair(rng, (0.4, -0.3), noise), WINDOW)
        assert found.error_px < 0.3
        assert np.hypot(found.dy_px - 0.4, found.dx_px + 0.3) < 5 * found.error_px


@pytest.mark.parametrize("level", [0.0, 7.0])
def test_flat_images_say_that_they_know_nothing(level: float) -> None:
    flat = np.full((32, 32), level, np.float32)
    found = measure_shift(flat, flat)
    assert (found.error_px, found.coherence) == (np.inf, 0)


def slow_patch_shift(patch: Image, reference: Image, reach: int) -> tuple[NDArray[np.float64], float]:
    """Cross-correlation by rolling the reference, then Newton's step on finite differences of its nine best values."""
    lags = range(-reach - 1, reach + 2)
    surface = np.array([[(patch * np.roll(reference, (dy, dx), (0, 1))).sum() for dx in lags] for dy in lags], float)
    inner = surface[1:-1, 1:-1]
    row, column = (int(place) for place in np.unravel_index(inner.argmax(), inner.shape))
    near = surface[row : row + 3, column : column + 3]
    slope = np.array([near[2, 1] - near[0, 1], near[1, 2] - near[1, 0]]) / 2
    mixed = (near[2, 2] + near[0, 0] - near[0, 2] - near[2, 0]) / 4
    bend = np.array([near[2, 1] + near[0, 1], near[1, 2] + near[1, 0]]) - 2 * near[1, 1]
    step = -np.linalg.solve([[bend[0], mixed], [mixed, bend[1]]], slope)
    return np.array([row - reach, column - reach]) + np.clip(step, -1, 1), float(inner.max())


def test_patch_shifts_are_the_slow_ones() -> None:
    """Batched Fourier transforms against sums over rolled patches, shifts within the reach."""
    rng, size, reach = np.random.default_rng(6), 16, 4
    window = np.outer(np.sin(np.pi * (np.arange(size) + 0.5) / size), np.sin(np.pi * (np.arange(size) + 0.5) / size))
    patches, references = [], []
    for shift in rng.uniform(-3, 3, (12, 2)):
        smooth = gaussian_filter(rng.normal(size=(64, 64)), 1.5, mode="wrap")
        moved = np.fft.ifft2(fourier_shift(np.fft.fft2(smooth), shift)).real
        patches.append(moved[20:36, 20:36] * window)
        references.append(smooth[20:36, 20:36] * window)
    patch, reference = np.array(patches, np.float32), np.array(references, np.float32)
    spectra = scipy.fft.rfft2(reference, axes=(1, 2)).conj().astype(np.complex64)
    shifts, heights = patch_shifts(patch, spectra, reach)
    for number in range(len(patch)):
        slow, height = slow_patch_shift(patch[number], reference[number], reach)
        assert shifts[number] == pytest.approx(slow, abs=2e-3)
        assert heights[number] == pytest.approx(height, rel=1e-3)


def test_patch_shifts_find_the_true_shift() -> None:
    """Sub-pixel shifts of periodic patches: the quadratic through nine values is good to 0.1 px or so."""
    rng, size = np.random.default_rng(7), 16
    true = rng.uniform(-3, 3, (40, 2))
    smooth = np.array([gaussian_filter(rng.normal(size=(size, size)), 1.5, mode="wrap") for _ in true])
    smooth -= smooth.mean((1, 2), keepdims=True)
    moved = np.array([np.fft.ifft2(fourier_shift(np.fft.fft2(a), s)).real for a, s in zip(smooth, true, strict=True)])
    spectra = scipy.fft.rfft2(smooth.astype(np.float32), axes=(1, 2)).conj().astype(np.complex64)
    shifts, _ = patch_shifts(moved.astype(np.float32), spectra, 4)
    assert np.abs(shifts - true).max() < 0.15
