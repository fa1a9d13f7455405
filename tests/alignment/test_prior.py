"""The prior of the displacement field: asked-for size, no curl, the shift modes, and what its few modes leave out."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stacker.alignment.prior import SHIFT_RMS_PX, Modes, turbulence_modes
from stacker.alignment.spline import Grid, spline_grid

SHAPE, STEP_PX, RMS_PX = (160, 192), 16.0, 1.7


@pytest.fixture(scope="module")
def modes() -> Modes:
    return turbulence_modes(SHAPE, STEP_PX, RMS_PX, 400)


@pytest.fixture(scope="module")
def grid() -> Grid:
    return spline_grid(SHAPE, STEP_PX, 2)


def fields(modes: Modes, grid: Grid) -> np.ndarray:
    """(modes, 2, h, w) displacement of each mode."""
    return np.array([grid.displacement(modes.potential(unit)) for unit in np.eye(modes.count)])


@pytest.mark.parametrize(("step_px", "least"), [(6.0, 0.9), (16.0, 0.7), (24.0, 0.58)])
def test_displacements_have_the_size_asked_for(step_px: float, least: float) -> None:
    """Variance an axis in the interior = rms^2, less what splines cannot hold of detail finer than their spacing."""
    shape = (96, 112)
    prior = turbulence_modes(shape, step_px, RMS_PX, 2000)
    variance = (fields(prior, spline_grid(shape, step_px, 2))[2:] ** 2).sum(0)[:, 12:-12, 12:-12].mean((1, 2))
    assert variance / RMS_PX**2 == pytest.approx([(1 + least) / 2] * 2, abs=(1 - least) / 2)


def test_the_size_is_the_same_along_rows_and_columns(modes: Modes, grid: Grid) -> None:
    down, right = (fields(modes, grid)[2:] ** 2).sum(0)[:, 20:-20, 20:-20].mean((1, 2))
    assert down == pytest.approx(right, rel=0.05)


def test_the_first_two_modes_are_shifts(modes: Modes, grid: Grid) -> None:
    expected = SHIFT_RMS_PX * np.eye(2)
    for number in (0, 1):
        dy, dx = grid.displacement(modes.potential(np.eye(modes.count)[number]))
        assert_allclose(dy, expected[number, 0], atol=1e-3)
        assert_allclose(dx, expected[number, 1], atol=1e-3)


def test_the_field_has_no_curl(modes: Modes) -> None:
    """d dx / d row = d dy / d column: image motion is the gradient of a phase (common practice, no source)."""
    full = spline_grid(SHAPE, STEP_PX, 1)
    dy, dx = full.displacement(modes.potential(np.random.default_rng(3).normal(size=modes.count)))
    along = (dx[2:, 1:-1] - dx[:-2, 1:-1]) / 2
    across = (dy[1:-1, 2:] - dy[1:-1, :-2]) / 2
    divergence = (dy[2:, 1:-1] - dy[:-2, 1:-1]) / 2 + (dx[1:-1, 2:] - dx[1:-1, :-2]) / 2
    assert np.std(along - across) < 0.01 * np.std(divergence)


def test_few_modes_hold_the_largest_part() -> None:
    """The leading modes are the ones of most variance: 60 of 400 hold the motion but for its finest part."""
    grid = spline_grid(SHAPE, STEP_PX, 4)
    shares = []
    for limit in (20, 60, 200):
        few = turbulence_modes(SHAPE, STEP_PX, RMS_PX, limit)
        assert few.count <= limit
        shares.append(float((fields(few, grid)[2:] ** 2).sum(0).mean()) / RMS_PX**2)
    assert shares[0] < shares[1] < shares[2] <= 1.0
    assert shares[1] > 0.5


def test_projection_is_the_transpose_of_the_potential(modes: Modes) -> None:
    rng = np.random.default_rng(4)
    y, nodes = rng.normal(size=modes.count), rng.normal(size=modes.shapes.shape[0]).astype(np.float32)
    assert_allclose(np.vdot(modes.potential(y), nodes), modes.project(nodes) @ y, rtol=1e-4)
