"""Laws that hold for any input: shifts, splines, averages, selections and regions, searched by hypothesis."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from stacker.alignment.correlation import measure_shift
from stacker.alignment.region import plan_region
from stacker.alignment.spline import spline_grid
from stacker.ranking.record import Ranking, Target
from stacker.ranking.selection import choose_frames
from stacker.stacking.accumulator import Accumulator
from stacker.stacking.warping import carry_mosaic, colour_masks

lawful = settings(
    max_examples=40, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
seeds = st.integers(0, 2**32 - 1)


def scene(seed: int, side_px: int = 48) -> np.ndarray:
    smooth = gaussian_filter(np.random.default_rng(seed).normal(size=(side_px, side_px)), 1.5, mode="wrap")
    return np.asarray(smooth / smooth.std(), np.float32)


@lawful
@given(seeds, st.integers(-15, 15), st.integers(-15, 15), st.floats(0.1, 1e4), st.floats(-1e3, 1e3))
def test_a_shift_by_whole_pixels_is_found_whatever_gain_and_offset(
    seed: int, dy: int, dx: int, gain: float, offset: float
) -> None:
    reference = scene(seed)
    image = np.roll(reference, (dy, dx), (0, 1)) * np.float32(gain) + np.float32(offset)
    found = measure_shift(image.astype(np.float32), reference)
    assert (found.dy_px, found.dx_px) == pytest.approx((dy, dx), abs=0.02)


@lawful
@given(seeds, st.floats(-4, 4), st.floats(-4, 4))
def test_mirrored_and_transposed_scenes_have_mirrored_and_transposed_shifts(seed: int, dy: float, dx: float) -> None:
    reference = scene(seed)
    f = np.fft.fftfreq(48)
    turned = np.fft.fft2(reference) * np.exp(-2j * np.pi * (f[:, None] * dy + f[None] * dx))
    image = np.fft.ifft2(turned).real.astype(np.float32)
    plain = measure_shift(image, reference)
    flipped = measure_shift(image[::-1].copy(), reference[::-1].copy())
    across = measure_shift(image.T.copy(), reference.T.copy())
    assert (flipped.dy_px, flipped.dx_px) == pytest.approx((-plain.dy_px, plain.dx_px), abs=2e-3)
    assert (across.dy_px, across.dx_px) == pytest.approx((plain.dx_px, plain.dy_px), abs=2e-3)


@lawful
@given(seeds, st.integers(16, 60), st.integers(16, 60), st.floats(5, 40), st.sampled_from([1, 2, 4]))
def test_spline_fields_are_linear_and_their_adjoint_is_the_transpose(
    seed: int, rows: int, columns: int, step_px: float, binning: int
) -> None:
    grid = spline_grid((rows, columns), step_px, binning)
    rng = np.random.default_rng(seed)
    one, other = rng.normal(size=(2, grid.row.shape[1], grid.column.shape[1])).astype(np.float32)
    u, v = rng.normal(size=(2, rows // binning, columns // binning)).astype(np.float32)
    for both, first, second in zip(
        grid.displacement(2 * one - other), grid.displacement(one), grid.displacement(other), strict=True
    ):
        assert_allclose(both, 2 * first - second, atol=1e-4)
    dy, dx = grid.displacement(one)
    size = np.sqrt(np.vdot(dy, dy) + np.vdot(dx, dx)) * np.sqrt(np.vdot(u, u) + np.vdot(v, v))
    assert abs(np.vdot(dy, u) + np.vdot(dx, v) - np.vdot(one.ravel(), grid.adjoint(u, v))) < 1e-5 * size


@lawful
@given(seeds, st.integers(1, 12), st.floats(0, 6e4))
def test_the_mean_lies_between_the_frames_and_is_theirs_where_all_agree(seed: int, count: int, pivot: float) -> None:
    rng = np.random.default_rng(seed)
    frames = rng.uniform(0, 6e4, (count, 6, 7)).astype(np.float32)
    frames[:, 0] = frames[0, 0]
    sums = Accumulator((6, 7))
    for number, frame in enumerate(frames):
        inside = (rng.random((6, 7)) < 0.8).astype(np.float32) if number else None
        sums.add(number % 2, frame - np.float32(pivot), float(rng.uniform(0.01, 1)), inside)
    mean = np.float32(pivot) + sums.mean()
    assert (mean >= frames.min(0) - 0.05).all()
    assert (mean <= frames.max(0) + 0.05).all()
    assert_allclose(mean[0], frames[0, 0], rtol=2e-6, atol=0.05)
    assert (sums.coverage() <= count * (1 + 1e-5)).all()
    assert (sums.coverage() >= 1 - 1e-5).all()


@lawful
@given(
    st.sampled_from(["RGGB", "BGGR", "GRBG", "GBRG"]),
    st.floats(-9, 9),
    st.floats(-9, 9),
    st.lists(st.floats(0, 6e4), min_size=3, max_size=3),
)
def test_samples_of_one_colour_keep_it_at_any_shift(mosaic: str, dy: float, dx: float, colour: list[float]) -> None:
    """Sample over weight is the colour wherever there is a sample; together the colours weigh one."""
    rows, columns = np.mgrid[:24, :26].astype(np.float32)
    masks = colour_masks((24, 26), mosaic)
    raw = masks @ np.array(colour, np.float32)
    samples, weights = carry_mosaic(raw, masks, (rows + np.float32(dy), columns + np.float32(dx)))
    inner = np.s_[10:-10, 10:-10]
    assert_allclose(samples[inner], weights[inner] * np.array(colour), rtol=1e-4, atol=1e-3)
    assert_allclose(weights[inner].sum(2), 1, atol=1e-5)


@lawful
@given(seeds, st.integers(1, 300), st.floats(0.01, 100))
def test_selected_frames_are_usable_rising_and_as_many_as_asked_for(seed: int, count: int, keep: float) -> None:
    rng = np.random.default_rng(seed)
    reason = tuple("" if fine else "torn" for fine in rng.random(count) < 0.8)
    if not any(not word for word in reason):
        reason = ("", *reason[1:])
    target = Target("surface", (5, 5), 7, np.ones((10, 10), bool))
    nan = np.full((count, 1, 1), np.nan, np.float32)
    ranking = Ranking(target, 0, rng.random(count), nan, np.ones(count), np.zeros((count, 2)), reason, 1.0, 0.0)
    frames, half = choose_frames(ranking, keep)
    assert (np.diff(frames) > 0).all()
    assert ranking.usable[frames].all()
    assert abs(len(frames) - max(1, keep / 100 * ranking.usable.sum())) <= 1.5
    assert len(half) == len(frames)
    assert abs(int((half == 0).sum()) - int((half == 1).sum())) <= max(len(frames) * 0.35, 2) or (half == 0).all()


@lawful
@given(st.integers(16, 2500), st.integers(16, 2500))
def test_any_surface_is_covered_by_tiles_that_join(height: int, width: int) -> None:
    mask = np.broadcast_to(np.True_, (height, width))
    region = plan_region(Target("surface", (height / 2, width / 2), 1.0, mask), (height, width))
    assert region.top <= 0
    assert region.left <= 0
    assert region.top + region.shape[0] >= height
    assert region.left + region.shape[1] >= width
    for axis, (size, tile) in enumerate(zip(region.shape, region.tile_shape, strict=True)):
        starts = sorted({corner[axis] for corner in region.tiles})
        assert starts[0] == 0
        assert starts[-1] + tile == size
        assert all(later - earlier < tile for earlier, later in zip(starts, starts[1:], strict=False))
