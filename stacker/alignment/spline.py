"""A smooth, curl-free displacement field: the gradient of a potential on cubic B-spline nodes.

Image motion in turbulence is the gradient of the wavefront's phase averaged over the aperture, so its field over the
sky has (nearly) no curl; a potential halves the unknowns and with them the noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
MARGIN_NODES = 1


def cubic_bspline(x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the centred cubic B-spline and its derivative at `x` (in node spacings).

    Source: Unser 1999, IEEE Signal Processing Magazine 16(6), 22 (from memory).
    """
    a = np.abs(x)
    inner, outer = a < 1, (a >= 1) & (a < 2)
    value = np.where(inner, 2 / 3 - a**2 + a**3 / 2, np.where(outer, (2 - a) ** 3 / 6, 0.0))
    slope = np.where(inner, -2 * a + 1.5 * a**2, np.where(outer, -((2 - a) ** 2) / 2, 0.0)) * np.sign(x)
    return value, slope


@dataclass(frozen=True)
class Grid:
    """Values (n, nodes) and slopes per px of the B-splines at the pixel centres of one binning, for both axes."""

    row: Array
    row_slope: Array
    column: Array
    column_slope: Array
    binning: int

    def displacement(self, potential: Array) -> tuple[Array, Array]:
        """Return (dy_px, dx_px), each (h, w), the gradient of a potential (node rows, node columns) in full px."""
        down, right = self.row_slope @ potential @ self.column.T, self.row @ potential @ self.column_slope.T
        return np.asarray(down, np.float32), np.asarray(right, np.float32)

    def adjoint(self, along_row: Array, along_column: Array) -> Array:
        """Return the transpose of `displacement` applied to two (h, w) maps, raveled over the nodes."""
        sums = self.row_slope.T @ along_row @ self.column + self.row.T @ along_column @ self.column_slope
        return np.asarray(sums.ravel(), np.float32)

    def normal_matrix(self, along_row: Array, along_column: Array, weight: Array) -> NDArray[np.float64]:
        """Return A = sum over pixels of weight (J^T J), J the slope of a template (two maps) along the node potentials.

        A (nodes, nodes) is dense but holds only neighbours up to three nodes apart.
        """
        rows, columns = self.row.shape[1], self.column.shape[1]
        matrix = np.zeros((rows, columns, rows, columns))
        tensor = {
            (1, 1): weight * along_row * along_row,
            (1, 0): weight * along_row * along_column,
            (0, 0): weight * along_column * along_column,
        }
        vertical, horizontal = (self.row, self.row_slope), (self.column, self.column_slope)
        # The matrix is symmetric: half of the pairs of neighbours tell all.
        for row_offset in range(4):
            i, j = _pairs(rows, row_offset)
            down = {
                (a, b): (vertical[a][:, i] * vertical[b][:, j]).T @ tensor[max(a, b), min(a, b)]
                for a in (0, 1)
                for b in (0, 1)
            }
            for column_offset in range(-3 if row_offset else 0, 4):
                k, m = _pairs(columns, column_offset)
                block = np.zeros((len(i), len(k)))
                for (a, b), sums in down.items():
                    block += sums @ (horizontal[1 - a][:, k] * horizontal[1 - b][:, m])
                matrix[i[:, None], k[None], j[:, None], m[None]] = block
                matrix[j[:, None], m[None], i[:, None], k[None]] = block
        return matrix.reshape(rows * columns, rows * columns)


def _pairs(count: int, offset: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    first = np.arange(max(0, -offset), count - max(0, offset))
    return first, first + offset


def node_count(length_px: int, step_px: float) -> int:
    """Return how many nodes cover `length_px` pixels, one beyond each end."""
    return int(np.ceil((length_px - 1) / step_px)) + 1 + 2 * MARGIN_NODES


def spline_grid(shape: tuple[int, int], step_px: float, binning: int) -> Grid:
    """Return the splines of a (h, w) px region sampled at the centres of `binning` x `binning` pixels."""
    axes: list[tuple[Array, Array]] = []
    for length in shape:
        centres = binning * (np.arange(length // binning, dtype=np.float64) + 0.5) - 0.5
        nodes = np.arange(node_count(length, step_px)) - MARGIN_NODES
        value, slope = cubic_bspline(centres[:, None] / step_px - nodes[None])
        axes.append((value.astype(np.float32), (slope / step_px).astype(np.float32)))
    return Grid(*axes[0], *axes[1], binning)
