"""What one frame shows and the others do not leaves no trace; what all show by chance stays."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest
from astropy.stats import sigma_clip
from numpy.testing import assert_allclose, assert_array_equal

from stacker.settings import StackingSettings
from stacker.stacking import stack
from stacker.stacking.outliers import Sample, trimmed_variance

Make = Callable[..., Any]
ALL = StackingSettings(outlier_sigmas=0)


def noisy_scene(frames: int = 50, seed: int = 1, size: int = 96, noise: float = 5.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    scene = 300 + 400 * cv2.GaussianBlur(rng.normal(0, 1, (size, size)), (0, 0), 3)
    return (scene + rng.normal(0, noise, (frames, size, size))).astype(np.float32)


@pytest.mark.parametrize(("count", "expected"), [(3, 0.4487), (5, 0.3563), (16, None)])
def test_spread_without_the_extremes(count: int, expected: float | None) -> None:
    """Of three: the variance of the median, 0.4487 (David & Nagaraja, Order Statistics, from memory); others drawn."""
    drawn = np.sort(np.random.default_rng(count).normal(0, 1, (200_000, count)), axis=1)[:, 1:-1]
    assert trimmed_variance(count) == pytest.approx((drawn**2).mean(), rel=0.01)
    if expected is not None and count == 3:
        assert trimmed_variance(count) == pytest.approx(expected, abs=2e-4)


def test_bounds_of_noise_are_the_asked_sigmas() -> None:
    """White noise of sigma 5 about 100, one frame in the sample 1000 off: the bounds are those of the noise."""
    rng, sample = np.random.default_rng(2), Sample((200, 200))
    for number in range(16):
        sample.add(rng.normal(100 + 1000 * (number == 5), 5, (200, 200)).astype(np.float32), None)
    middle, variance, enough = sample.mean_and_variance()
    assert enough.all()
    # The wild frame takes the place of the highest: 14 of 15 good values are left, the highest of them too.
    assert middle.mean() == pytest.approx(100, abs=1.0)
    assert np.sqrt(variance.mean()) == pytest.approx(5, rel=0.15)


def test_clean_noise_is_not_touched(by_hand: Make) -> None:
    """Gaussian data: bias under 0.01 sigma and loss of signal to noise under 2 % (usual demands on clipping)."""
    made = by_hand(noisy_scene(noise=5.0))
    cleaned, plain = stack(*made), stack(*made, settings=ALL)
    assert abs(float((cleaned.image - plain.image).mean())) < 0.01 * 5
    truth = np.asarray(made[0].frames, np.float64).mean(0)
    assert (cleaned.image - truth).std() < 0.02 * 5 / np.sqrt(50)
    assert cleaned.coverage.mean() > 0.98 * plain.coverage.mean()
    assert not cleaned.notes


@pytest.mark.parametrize("mosaic", [None, "RGGB"])
@pytest.mark.parametrize("frame", [0, 26])
def test_one_hit_leaves_no_trace(frame: int, mosaic: str | None, by_hand: Make) -> None:
    """A hit of 100 sigma in one of 50 frames, in the sample (the first) and not: under 0.1 sigma of the stack.

    What is left is the difference of the mean of 49 frames from that of 50, of the order of sigma / 50.
    """
    frames, hit = noisy_scene(), np.s_[48, 48]
    rng = np.random.default_rng(3)
    shifts = rng.uniform(-1, 1, (50, 2)) if mosaic else np.zeros((50, 2))
    shifts[[frame]] = 0
    clean = stack(*by_hand(frames, shift_px=shifts, mosaic=mosaic))
    spoilt = frames.copy()
    spoilt[frame][hit] += 500
    found = stack(*by_hand(spoilt, shift_px=shifts, mosaic=mosaic))
    plain = stack(*by_hand(spoilt, shift_px=shifts, mosaic=mosaic), settings=ALL)
    error = np.abs(found.image - clean.image)[hit].max()
    own_noise = np.sqrt(clean.variance[hit]).max()
    assert np.abs(plain.image - clean.image)[hit].max() > 5 * own_noise
    lost = 3 * 5 / 50 / (1 if mosaic is None else 0.15)
    assert error < max(0.1 * own_noise, lost)


def test_mean_with_a_hit_is_astropys_clipped_mean(by_hand: Make) -> None:
    """Twenty hits anywhere: the same mean as astropy's sigma clipping, to 0.1 sigma of the stack, where they fell."""
    frames, rng = noisy_scene(seed=4), np.random.default_rng(5)
    places = rng.integers(4, 92, (20, 2)), rng.integers(0, 50, 20)
    for (row, column), frame in zip(*places, strict=True):
        frames[frame, row, column] += 500
    image = stack(*by_hand(frames)).image
    expected = sigma_clip(frames, sigma=6, axis=0, masked=True).mean(axis=0)
    rows, columns = places[0].T
    assert_allclose(image[rows, columns], expected[rows, columns], atol=0.1 * 5 / np.sqrt(50))


@pytest.mark.parametrize("workers", [1, 3])
def test_a_trail_and_a_tear_are_left_out_and_told(workers: int, by_hand: Make) -> None:
    """A trail of 30 sigma across two frames, one with its lower half slipped sideways: as if they were not there."""
    frames = noisy_scene()
    clean = stack(*by_hand(frames)).image
    line = np.zeros(frames.shape[1:], np.uint8)
    cv2.line(line, (0, 20), (95, 34), 1, 2)
    for number in (0, 31):
        frames[number][line > 0] += 150
    frames[17, 48:] = np.roll(frames[17, 48:], 30, axis=1)
    made = by_hand(frames)
    found, plain = stack(*made, workers=workers), stack(*made, settings=ALL)
    trail, torn = np.s_[4:44, 4:-4], np.s_[48:-4, 4:-4]
    assert np.abs(plain.image - clean)[trail].max() > 5
    # Two of 50 noise values are missing there: 6 sigma / 50.
    assert np.abs(found.image - clean)[trail].max() < 6 * 5 / 50
    assert (found.image - clean)[torn].std() < 0.5 * (plain.image - clean)[torn].std()
    assert "3 of 50 frames show what the others do not" in found.notes[0]
    assert found.coverage[line > 0].mean() < 48.5


def test_one_frame_alone_is_told_as_one(by_hand: Make) -> None:
    frames = noisy_scene()
    frames[17, 48:] = np.roll(frames[17, 48:], 30, axis=1)
    assert "1 of 50 frames shows what the others do not" in stack(*by_hand(frames)).notes[0]


def test_workers_do_not_change_what_is_left_out(by_hand: Make) -> None:
    frames = noisy_scene()
    frames[31, 40:44, 10:80] += 200
    one, three = stack(*by_hand(frames)), stack(*by_hand(frames), workers=3)
    assert_array_equal(one.image, three.image)
    assert_array_equal(one.coverage, three.coverage)


def test_sharper_frames_of_a_changing_sky_stay(by_hand: Make) -> None:
    """Half of the frames blurred, a few sharp, and cloud levelled out: detail that few frames show is no outlier."""
    rng = np.random.default_rng(6)
    sharp = 300 + 200 * cv2.GaussianBlur(rng.normal(0, 1, (96, 96)), (0, 0), 1.5)
    frames = np.stack([cv2.GaussianBlur(sharp, (0, 0), rng.uniform(0.5, 3)) for _ in range(40)])
    frames = (frames + rng.normal(0, 3, frames.shape)).astype(np.float32)
    result = stack(*by_hand(frames))
    assert result.coverage.min() > 0.97 * 40
    assert not result.notes


def test_too_few_frames_are_taken_as_they_are(by_hand: Make) -> None:
    """Of fewer than eight frames none is outvoted."""
    frames = noisy_scene(frames=7)
    frames[3, 40:44] += 300
    made = by_hand(frames)
    assert_array_equal(stack(*made).image, stack(*made, settings=ALL).image)
