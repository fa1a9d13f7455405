"""Running sums against plain numpy on stored frames, and the textbook's noise of a mean."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stacker.alignment.level import Inside
from stacker.stacking.accumulator import Accumulator

SHAPE = (20, 24)


def filled(
    frames: np.ndarray, weights: np.ndarray, insides: list[np.ndarray | Inside | None], pivot: float
) -> Accumulator:
    sums = Accumulator(frames.shape[1:])
    for number, (frame, weight, inside) in enumerate(zip(frames, weights, insides, strict=True)):
        sums.add(number % 2, frame - np.float32(pivot), float(weight), inside)
    return sums


@pytest.mark.parametrize("colours", [(), (3,)], ids=["gray", "colour"])
@pytest.mark.parametrize("as_shares", [True, False], ids=["shares", "mask"])
def test_mean_coverage_and_variance_are_numpys(colours: tuple[int, ...], as_shares: bool) -> None:
    """Weighted mean, (sum w)^2 / sum w^2, and the weighted scatter over n_eff - 1, with partly seen frames."""
    rng = np.random.default_rng(1)
    frames = rng.normal(1000, 30, (15, *SHAPE, *colours)).astype(np.float32)
    weights = rng.uniform(0.2, 2, 15)
    insides = [(rng.random(SHAPE) < 0.7).astype(np.float32) if n % 3 else None for n in range(15)]
    masks = [inside if inside is None or as_shares else Inside.of(inside > 0) for inside in insides]
    sums = filled(frames, weights, masks, 990)
    seen = np.array([np.ones(SHAPE) if inside is None else inside for inside in insides])
    share = (seen * weights[:, None, None]).reshape(15, *SHAPE, *[1] * len(colours)) * np.ones(frames.shape)
    mean = (share * frames).sum(0) / share.sum(0)
    count = share.sum(0) ** 2 / (share**2).sum(0)
    scatter = (share * (frames - mean) ** 2).sum(0) / share.sum(0)
    assert_allclose(990 + sums.mean(), mean, rtol=1e-6)
    assert_allclose(sums.coverage(), count, rtol=1e-4)
    assert_allclose(sums.variance(), scatter / (count - 1), rtol=2e-3)
    for half in (0, 1):
        part = np.s_[half::2]
        assert_allclose(990 + sums.mean(half), (share[part] * frames[part]).sum(0) / share[part].sum(0), rtol=1e-6)


def test_equal_weights_give_the_plain_standard_error() -> None:
    """s^2 / n with n - 1 degrees of freedom."""
    frames = np.random.default_rng(2).normal(50, 4, (9, *SHAPE)).astype(np.float32)
    sums = filled(frames, np.ones(9), [None] * 9, 48)
    assert_allclose(sums.variance(), frames.var(0, ddof=1) / 9, rtol=1e-3)
    assert_allclose(sums.coverage(), 9)


def test_noise_falls_as_the_root_of_the_number_of_frames() -> None:
    """log sigma against log N = -0.50 +- 0.02 over N = 4..1024 (textbook: error of a mean)."""
    rng = np.random.default_rng(3)
    sums, numbers, noise, stated = Accumulator((64, 64)), [], [], []
    for number in range(1, 1025):
        sums.add(number % 2, rng.normal(0, 5, (64, 64)).astype(np.float32), 1.0, None)
        if number >= 4 and number & (number - 1) == 0:
            numbers.append(number)
            noise.append(float(sums.mean().std()))
            stated.append(float(np.sqrt(sums.variance().mean())))
    for measured in (noise, stated):
        assert np.polyfit(np.log(numbers), np.log(measured), 1)[0] == pytest.approx(-0.5, abs=0.02)
    assert stated == pytest.approx(noise, rel=0.06)


def test_a_bright_field_costs_no_precision() -> None:
    """Noise of 1 ADU on 60000: sums of squares without a pivot would lose it in single precision."""
    frames = (60000 + np.random.default_rng(4).normal(0, 1, (50, *SHAPE))).astype(np.float32)
    sums = filled(frames, np.ones(50), [None] * 50, 60000.0)
    assert_allclose(60000 + sums.mean(), frames.astype(float).mean(0), atol=0.01)
    assert float(sums.variance().mean()) == pytest.approx(1 / 50, rel=0.05)


def test_a_share_of_one_is_a_plain_frame() -> None:
    rng = np.random.default_rng(5)
    frames = rng.normal(200, 9, (6, *SHAPE, 3)).astype(np.float32)
    one, other = (filled(frames, np.full(6, 0.5), [inside] * 6, 190) for inside in (None, np.ones_like(frames[0])))
    assert_allclose(one.mean(), other.mean(), atol=2e-4)
    assert_allclose(one.variance(), other.variance(), rtol=1e-3)
    assert_allclose(one.coverage(), other.coverage(), rtol=1e-5)


def test_shares_weigh_colour_by_colour() -> None:
    """Two samples, 10 at share 3/4 and 20 at share 1/4 in green alone: the mean is 12.5, elsewhere 15."""
    sums = Accumulator((1, 1, 3))
    for half, (value, share) in enumerate(((10, 0.75), (20, 0.25))):
        inside = np.array([[[0.5, share, 0.5]]], np.float32)
        sums.add(half, np.full((1, 1, 3), value, np.float32), 1.0, inside)
    assert_allclose(sums.mean().ravel(), [15, 12.5, 15], rtol=1e-6)
    assert_allclose(sums.mean(1), 20, rtol=1e-6)


@pytest.mark.parametrize("as_shares", [True, False], ids=["shares", "mask"])
def test_where_nothing_was_seen_there_is_nothing(as_shares: bool) -> None:
    """To the last bit, whatever the weights: a pixel with a tiny weight would be taken for one that was seen."""
    sums, few, taken = Accumulator(SHAPE), Accumulator(SHAPE, single=True), Accumulator(SHAPE)
    shown = np.ones(SHAPE, bool)
    shown[:, 10:] = False
    inside = shown.astype(np.float32) if as_shares else Inside(shown * np.uint8(255), (np.s_[:, 8:],))
    for number, weight in enumerate(np.random.default_rng(7).uniform(1e-3, 0.1, 40)):
        for into in (sums, few):
            into.add(number % 2, np.full(SHAPE, 100, np.float32), float(weight), inside)
    taken.take(few)
    for found in (sums, taken):
        assert_allclose(found.mean()[:, :10], 100, rtol=1e-6)
        for plane in (found.mean(), found.mean(0), found.weight(), found.coverage(), found.variance()):
            assert not plane[:, 10:].any()


def test_batches_in_single_precision_add_up_to_the_whole() -> None:
    """Four batches of which one saw everything, as if frame by frame."""
    rng = np.random.default_rng(6)
    frames, weights = rng.normal(0, 30, (12, *SHAPE)).astype(np.float32), rng.uniform(0.2, 2, 12)
    insides = [Inside.of(rng.random(SHAPE) < 0.7) if number >= 3 else None for number in range(12)]
    whole, batches = Accumulator(SHAPE), Accumulator(SHAPE)
    for first in range(0, 12, 3):
        batch = Accumulator(SHAPE, single=True)
        for number in range(first, first + 3):
            for sums in (whole, batch):
                sums.add(number % 2, frames[number], float(weights[number]), insides[number])
        batches.take(batch)
    for half in (None, 0, 1):
        assert_allclose(batches.mean(half), whole.mean(half), atol=2e-5)
        assert_allclose(batches.weight(half), whole.weight(half), rtol=1e-6)
    assert_allclose(batches.coverage(), whole.coverage(), rtol=1e-6)
    assert_allclose(batches.variance(), whole.variance(), rtol=1e-5)
