"""The spline potential: textbook properties of cubic B-splines, derivatives by finite differences, slow twins."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import BSpline

from stacker.alignment.spline import Grid, cubic_bspline, node_count, spline_grid

SHAPE, STEP_PX = (40, 56), 10.0
SMOOTH_PX = 40.0
"""Node spacing at which finite differences over a pixel are good to a part in a thousand."""


@pytest.fixture(scope="module", params=[1, 2, 4])
def grid(request: pytest.FixtureRequest) -> Grid:
    return spline_grid(SHAPE, STEP_PX, request.param)


def potential_of(grid: Grid, seed: int = 0) -> np.ndarray:
    nodes = grid.row.shape[1], grid.column.shape[1]
    return np.random.default_rng(seed).normal(size=nodes).astype(np.float32)


def test_spline_and_slope_are_scipys() -> None:
    """scipy.interpolate.BSpline on the knots -2..2 is the centred cubic B-spline."""
    x = np.linspace(-1.999, 1.999, 801)
    reference = BSpline.basis_element(np.arange(-2.0, 3.0))
    value, slope = cubic_bspline(x)
    assert_allclose(value, reference(x), atol=1e-12)
    assert_allclose(slope, reference.derivative()(x), atol=1e-12)


def test_nothing_beyond_two_nodes() -> None:
    value, slope = cubic_bspline(np.array([-7.0, -2.0, 2.0, 3.5]))
    assert not value.any()
    assert not slope.any()


def test_partition_of_unity(grid: Grid) -> None:
    """At every pixel the splines sum to one and their slopes to nothing (B-splines reproduce a constant)."""
    for value, slope in ((grid.row, grid.row_slope), (grid.column, grid.column_slope)):
        assert_allclose(value.sum(1), 1, atol=2e-6)
        assert_allclose(slope.sum(1), 0, atol=2e-6)


def test_a_linear_potential_is_a_shift(grid: Grid) -> None:
    """B-splines reproduce a line: its slope is the same everywhere, in px whatever the binning."""
    rows, columns = (np.arange(n) * STEP_PX for n in (grid.row.shape[1], grid.column.shape[1]))
    dy, dx = grid.displacement((3 * rows[:, None] - 2 * columns[None]).astype(np.float32))
    assert_allclose(dy, 3, atol=2e-4)
    assert_allclose(dx, -2, atol=2e-4)


def test_pixel_centres_of_every_binning_lie_on_one_ruler() -> None:
    """The field at 2 x 2 binning is the field at full size half way between its pixels, to (1/40)^2 or so."""
    fine, coarse = spline_grid(SHAPE, SMOOTH_PX, 1), spline_grid(SHAPE, SMOOTH_PX, 2)
    potential = potential_of(fine)
    for whole, binned in zip(fine.displacement(potential), coarse.displacement(potential), strict=True):
        middle = whole.reshape(SHAPE[0] // 2, 2, SHAPE[1] // 2, 2).mean((1, 3))
        assert_allclose(binned, middle, atol=1e-3 * np.abs(whole).max())


def test_displacement_is_the_gradient_of_the_potential() -> None:
    """Central differences of the spline surface over +-1 px."""
    grid = spline_grid(SHAPE, SMOOTH_PX, 1)
    potential = potential_of(grid)
    surface = grid.row.astype(float) @ potential @ grid.column.astype(float).T
    dy, dx = grid.displacement(potential)
    scale = np.abs(dy).max()
    assert_allclose(dy[1:-1], (surface[2:] - surface[:-2]) / 2, atol=1e-3 * scale)
    assert_allclose(dx[:, 1:-1], (surface[:, 2:] - surface[:, :-2]) / 2, atol=1e-3 * scale)


def test_the_adjoint_is_the_transpose(grid: Grid) -> None:
    """<displacement(p), (u, v)> = <p, adjoint(u, v)> for random p, u, v."""
    rng = np.random.default_rng(1)
    potential = potential_of(grid)
    u, v = (rng.normal(size=(len(grid.row), len(grid.column))).astype(np.float32) for _ in range(2))
    dy, dx = grid.displacement(potential)
    assert_allclose(np.vdot(dy, u) + np.vdot(dx, v), np.vdot(potential.ravel(), grid.adjoint(u, v)), rtol=1e-4)


def test_the_normal_matrix_is_the_slow_sum() -> None:
    """J^T W J by brute force: one column of J per node, from the displacement of that node alone."""
    grid = spline_grid((24, 30), 8.0, 2)
    rng = np.random.default_rng(2)
    shape = len(grid.row), len(grid.column)
    slope_y, slope_x = (rng.normal(size=shape).astype(np.float32) for _ in range(2))
    weight = rng.random(shape).astype(np.float32)
    nodes = grid.row.shape[1], grid.column.shape[1]
    columns = []
    for node in range(nodes[0] * nodes[1]):
        single = np.zeros(nodes[0] * nodes[1], np.float32)
        single[node] = 1
        dy, dx = grid.displacement(single.reshape(nodes))
        columns.append((slope_y * dy + slope_x * dx).ravel())
    jacobian = np.array(columns, float).T
    slow = jacobian.T @ (weight.ravel()[:, None] * jacobian)
    assert_allclose(grid.normal_matrix(slope_y, slope_x, weight), slow, atol=1e-5 * np.abs(slow).max())


@pytest.mark.parametrize("length_px", [1, 10, 11, 256, 257])
def test_nodes_reach_beyond_both_ends(length_px: int) -> None:
    """Every pixel has its four splines, else the partition of unity would fail at the ends."""
    last = (node_count(length_px, STEP_PX) - 2) * STEP_PX
    assert last >= length_px - 1
    assert_allclose(spline_grid((length_px, 16), STEP_PX, 1).row.sum(1), 1, atol=2e-6)
