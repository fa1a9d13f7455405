"""Averages of frames at known places: who saw which pixel, flux, noise, honest variance, halves, order and workers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stacker.alignment.prior import SHIFT_RMS_PX
from stacker.measuring.spectra import PowerMeter, whole_window
from stacker.stacking import stack
from stacker.stacking.contributing import of_every_kind

Make = Callable[..., Any]


def windows(scene: np.ndarray, shifts: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Cut frames from a larger scene; the target stands at whole-pixel shifts."""
    top, left = (np.array(scene.shape[:2]) - shape) // 2
    return np.stack([scene[top - dy : top - dy + shape[0], left - dx : left - dx + shape[1]] for dy, dx in shifts])


def test_drifting_borders_average_the_frames_that_saw_them(by_hand: Make) -> None:
    """Whole-pixel drift over more than the frame: mean and number of frames of each pixel by brute force."""
    rng, shape = np.random.default_rng(1), (48, 64)
    scene = rng.normal(500, 60, (200, 240)).astype(np.float32)
    shifts = np.stack([np.linspace(-40, 36, 20), np.linspace(60, -58, 20)], axis=1).astype(int) // 2 * 2
    frames = windows(scene, shifts, shape) + rng.normal(0, 5, (20, *shape)).astype(np.float32)
    result = stack(*by_hand(frames, shift_px=shifts))
    sums, count = np.zeros(shape), np.zeros(shape)
    for frame, (dy, dx) in zip(frames, shifts, strict=True):
        for row in range(max(0, -dy), min(shape[0], shape[0] - dy)):
            low, high = max(0, -dx), min(shape[1], shape[1] - dx)
            sums[row, low:high] += frame[row + dy, low + dx : high + dx]
            count[row, low:high] += 1
    seen = count > 0
    assert seen.mean() > 0.9
    assert count.max() > 3 * count[seen].min()
    assert_allclose(result.coverage, count, rtol=1e-4)
    assert_allclose(result.image[seen], (sums / np.maximum(count, 1))[seen], rtol=1e-5)


def test_flux_is_kept(by_hand: Make) -> None:
    """A spot of sigma 2 px at sub-pixel shifts: summed light as in each frame, to 1e-3; place to 0.01 px."""
    shifts = np.random.default_rng(2).uniform(-3, 3, (20, 2))
    rows, columns = np.mgrid[:48, :48]
    spots = [np.exp(-((rows - 23.4 - dy) ** 2 + (columns - 24.2 - dx) ** 2) / 8) for dy, dx in shifts]
    frames = (1000 * np.array(spots)).astype(np.float32)
    image = stack(*by_hand(frames, shift_px=shifts)).image.astype(float)
    assert image.sum() == pytest.approx(frames[0].sum(), rel=1e-3)
    place = np.array([(image * rows).sum(), (image * columns).sum()]) / image.sum()
    assert_allclose(place, [23.4, 24.2], atol=0.01)


def test_noise_falls_as_the_root_of_the_number_of_frames(by_hand: Make) -> None:
    """Slope -0.50 +- 0.02 over N = 32..1024 (textbook: error of a mean), through files, maps and sums."""
    rng, numbers = np.random.default_rng(3), [32, 64, 128, 256, 512, 1024]
    frames, shifts = rng.normal(100, 5, (1024, 64, 64)).astype(np.float32), rng.uniform(-1, 1, (1024, 2))
    noise = [stack(*by_hand(frames[:n], shift_px=shifts[:n])).image[4:-4, 4:-4].std() for n in numbers]
    assert np.polyfit(np.log(numbers), np.log(noise), 1)[0] == pytest.approx(-0.5, abs=0.02)


@pytest.mark.parametrize("mosaic", [None, "RGGB"])
def test_the_variance_is_what_repeated_stacks_scatter_by(mosaic: str | None, by_hand: Make) -> None:
    """40 captures of one scene with fresh noise, sub-pixel shifts and unequal weights: within 20 %."""
    rng = np.random.default_rng(4)
    shifts, weight = rng.uniform(-2, 2, (30, 2)), rng.uniform(0.3, 2, 30)
    scene = 200 + 50 * np.sin((np.arange(48)[None, None] - shifts[:, 1, None, None]) / 8) * np.ones((30, 48, 48))
    images, variances = [], []
    for _ in range(40):
        frames = (scene + rng.normal(0, 6, (30, 48, 48))).astype(np.float32)
        result = stack(*by_hand(frames, shift_px=shifts, weight=weight, mosaic=mosaic))
        images.append(result.image[6:-6, 6:-6])
        variances.append(result.variance[6:-6, 6:-6])
    scatter, stated = np.var(images, axis=0, ddof=1).mean((0, 1)), np.mean(variances, axis=(0, 1, 2))
    assert stated / scatter == pytest.approx(np.ones_like(stated), abs=0.2)


def test_halves_and_weights(by_hand: Make) -> None:
    rng = np.random.default_rng(5)
    frames = rng.normal(100, 10, (11, 32, 40)).astype(np.float32)
    weight, half = rng.uniform(0.1, 3, 11), rng.integers(0, 2, 11)
    result = stack(*by_hand(frames, weight=weight, half=half))
    assert_allclose(result.image, np.average(frames, axis=0, weights=weight), rtol=1e-5)
    for number, image in enumerate((result.half_a, result.half_b)):
        part = half == number
        assert_allclose(image, np.average(frames[part], axis=0, weights=weight[part]), rtol=1e-5)
    assert result.weights.sum() == pytest.approx(1)
    assert_allclose(result.weights, weight / weight.sum())


def test_each_half_is_handed_on_in_its_own_geometry(by_hand: Make) -> None:
    """A half whose own reference had the target 2 px further down and 1 px further left shows it there."""
    rows, columns = np.mgrid[:48, :48]
    frames = np.stack([100 * np.exp(-((rows - 24) ** 2 + (columns - 24) ** 2) / 18)] * 8).astype(np.float32)
    film, ranking, alignment = by_hand(frames)
    warp = np.zeros_like(alignment.half_warp)
    warp[1, 0, :2] = np.array([2.0, -1.0]) / SHIFT_RMS_PX
    result = stack(film, ranking, replace(alignment, half_warp=warp))
    assert_allclose(result.half_a, frames[0], atol=0.01)
    assert_allclose(result.image, frames[0], atol=0.01)
    assert_allclose(result.half_b[8:-8, 8:-8], np.roll(frames[0], (2, -1), (0, 1))[8:-8, 8:-8], atol=0.3)


def test_one_half_only_says_so(by_hand: Make) -> None:
    frames = np.random.default_rng(6).normal(100, 10, (3, 32, 32)).astype(np.float32)
    result = stack(*by_hand(frames, half=np.zeros(3, int)))
    assert not result.half_b.any()
    assert "too few frames" in " ".join(result.notes)


def test_colour_frames_stay_in_their_channels(by_hand: Make) -> None:
    frames = np.random.default_rng(7).normal((900, 500, 100), 5, (8, 32, 40, 3)).astype(np.float32)
    result = stack(*by_hand(frames))
    assert_allclose(result.image, frames.mean(0), rtol=1e-5)
    assert result.image.shape == result.variance.shape == result.coverage.shape == (32, 40, 3)


@pytest.mark.parametrize("mosaic", [None, "GRBG"])
def test_same_bytes_whatever_the_workers(mosaic: str | None, by_hand: Make) -> None:
    rng = np.random.default_rng(8)
    frames, shifts = rng.normal(300, 40, (17, 40, 48)).astype(np.float32), rng.uniform(-3, 3, (17, 2))
    one, two, three = (stack(*by_hand(frames, shift_px=shifts, mosaic=mosaic), workers=n) for n in (1, 2, 3))
    for name in ("image", "variance", "coverage", "half_a", "half_b"):
        assert_array_equal(getattr(one, name), getattr(two, name))
        assert_array_equal(getattr(one, name), getattr(three, name))


def test_the_order_of_the_frames_means_nothing(by_hand: Make) -> None:
    """Sums in another order differ by rounding alone."""
    rng = np.random.default_rng(9)
    frames, shifts = rng.normal(300, 40, (12, 40, 48)).astype(np.float32), rng.uniform(-3, 3, (12, 2))
    order = rng.permutation(12)
    one = stack(*by_hand(frames, shift_px=shifts))
    other = stack(*by_hand(frames[order], shift_px=shifts[order]))
    assert_allclose(one.image, other.image, rtol=1e-5)
    assert_allclose(one.variance, other.variance, rtol=1e-2)


def test_brighter_frames_make_a_brighter_stack(by_hand: Make) -> None:
    rng = np.random.default_rng(10)
    frames, shifts = rng.normal(300, 40, (6, 40, 48)).astype(np.float32), rng.uniform(-3, 3, (6, 2))
    one, other = (stack(*by_hand(frames * factor, shift_px=shifts)) for factor in (1, 4))
    assert_allclose(4 * one.image, other.image, rtol=1e-5)
    assert_allclose(16 * one.variance, other.variance, rtol=1e-3)


def test_the_mean_power_of_the_frames_is_handed_on(by_hand: Make) -> None:
    frames = np.random.default_rng(11).normal(100, 10, (5, 32, 32)).astype(np.float32)
    weight = np.array([1.0, 2, 3, 4, 5])
    result = stack(*by_hand(frames, weight=weight), power_meter=PowerMeter(whole_window((32, 32))))
    assert result.frame_power is not None
    alone = np.abs(np.fft.rfft2(frames - frames.mean((1, 2), keepdims=True))) ** 2
    assert_allclose(result.frame_power, np.average(alone, axis=0, weights=weight), rtol=1e-4, atol=1e-3)


def test_progress_counts_the_frames(by_hand: Make) -> None:
    calls: list[tuple[int, int]] = []
    frames = np.ones((7, 32, 32), np.float32)
    stack(*by_hand(frames), workers=2, progress=lambda done, total: calls.append((done, total)))
    assert calls == [(2, 7), (4, 7), (6, 7), (7, 7)]


def test_a_few_frames_of_every_kind_stand_for_all() -> None:
    """Median of 60 picked of 1000 skew figures, and mean of the lower nine tenths, within 2 % of those of all."""
    figure = np.random.default_rng(8).exponential(1, 1000) ** 2
    chosen = of_every_kind(figure, 60)
    assert len(chosen) == 60
    assert np.median(figure[list(chosen)]) == pytest.approx(np.median(figure), rel=0.02)
    trimmed = np.sort(figure)[:-100]
    assert figure[[k for k in chosen if figure[k] <= trimmed[-1]]].mean() == pytest.approx(trimmed.mean(), rel=0.02)
    assert of_every_kind(figure[:20], 60) == set(range(20))


@pytest.mark.parametrize("count", [6, 40])
def test_what_no_frame_shows_is_the_sky_around_a_disc(count: int, by_hand: Make) -> None:
    """A bright disc on a dark sky, every frame three pixels lower than the first: the last rows are never seen.

    Whatever is put there must not stand out of the sky, with or without a sample that tells outliers.
    """
    rng = np.random.default_rng(11)
    rows, columns = np.mgrid[:64, :64]
    disc = 2000.0 * (np.hypot(rows - 30, columns - 32) < 20)
    frames = np.stack([20 + disc + rng.normal(0, 2, disc.shape) for _ in range(count)]).astype(np.float32)
    result = stack(*by_hand(frames, np.full((count, 2), (3.4, 0.0))))
    unseen = result.coverage == 0
    assert unseen[-3:].all()
    assert np.abs(result.image[unseen] - 20).max() < 10
