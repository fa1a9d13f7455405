"""A frame's first field: phase correlation of many patches, placed by detail, joined by how certain each is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from stacker.alignment.correlation import patch_shifts
from stacker.alignment.prior import Modes
from stacker.alignment.spline import Grid

Array = NDArray[np.float32]
SIDE = 16
"""Binned pixels an edge: some five resolution elements, and twice the spacing of the patches."""
SPACING = 8
REACH = 4
MOST = 60
LEAST_CORRELATION = 0.2
"""A peak lower than this could stand anywhere."""


@dataclass(frozen=True)
class Patches:
    """Patches of one tile's template, ready to be found in frames."""

    corners: NDArray[np.intp]
    """(P, 2) row and column in the tile, binned px."""
    spectra: NDArray[np.complex64]
    energy: NDArray[np.float64]
    """(P,) sum of the windowed template squared."""
    information: NDArray[np.float64]
    """(P, 2, 2) structure tensor per full px squared: how well the template fixes a shift, and in which direction."""
    influence: NDArray[np.float64]
    """(P, 2, modes) displacement at each patch's middle by each mode, px."""
    expected: NDArray[np.float64]
    """(P, 2, P, 2) covariance of those displacements by the prior, px^2."""
    binning: int

    def field(self, image: Array) -> NDArray[np.float64]:
        """Return the coefficients (modes,) of the displacement that the patches of a whitened tile (h, w) show.

        y = H^T (H H^T + C)^-1 d, with d the measured shifts, C their covariances and H the prior's modes at the
        patches: certain patches lead, others follow the prior (Rasmussen & Williams 2006, eq. 2.23, from memory).
        """
        modes = self.influence.shape[2]
        if not len(self.corners):
            return np.zeros(modes)
        window = _window()
        cut = _cut(image, self.corners)
        cut -= cut.mean((1, 2), keepdims=True)
        cut *= window
        shift, height = patch_shifts(cut, self.spectra, REACH)
        own = np.einsum("pij,pij->p", cut, cut, dtype=np.float64)
        correlation = height / np.sqrt(self.energy * own + 1e-30)
        good = correlation > LEAST_CORRELATION
        if not good.any():
            return np.zeros(modes)
        gain = np.maximum(height / self.energy, 1e-3)
        residual = own * np.maximum(1 - correlation**2, 0.02) / window.sum()
        # Neighbouring residuals are alike: count a quarter of them.
        precision = self.information * (gain**2 / residual / 4)[:, None, None]
        covariance = np.linalg.inv(precision[good] + 1e-6 * np.eye(2))
        place = np.arange(len(covariance))
        system = self.expected[good][:, :, good]
        system[place, :, place] += covariance
        found = np.linalg.solve(system.reshape(2 * len(place), -1), (shift[good] * self.binning).ravel())
        return np.asarray(self.influence[good].reshape(-1, modes).T @ found)


def _cut(image: Array, corners: NDArray[np.intp]) -> Array:
    """Return the patches (P, SIDE, SIDE) of an image (h, w) at their corners."""
    return np.asarray(sliding_window_view(image, (SIDE, SIDE))[corners[:, 0], corners[:, 1]])


def _window() -> Array:
    ramp = np.sin(np.pi * (np.arange(SIDE) + 0.5) / SIDE)
    return np.outer(ramp, ramp).astype(np.float32)


def place_patches(image: Array, along_row: Array, along_column: Array, grid: Grid, modes: Modes) -> Patches:
    """Return the patches of a whitened template tile (h, w) with the most detail, at most 60."""
    window = _window()
    rows, columns = (np.arange(1, size - SIDE, SPACING) for size in image.shape)
    corners = np.stack(np.meshgrid(rows, columns, indexing="ij"), -1).reshape(-1, 2)
    if not len(corners):
        return Patches(
            np.zeros((0, 2), np.intp),
            np.zeros((0, SIDE, SIDE // 2 + 1), np.complex64),
            np.zeros(0),
            np.zeros((0, 2, 2)),
            np.zeros((0, 2, modes.count)),
            np.zeros((0, 2, 0, 2)),
            grid.binning,
        )
    cut = [_cut(plane, corners) for plane in (image, along_row, along_column)]
    square = window**2
    information = np.array(
        [[np.einsum("pij,pij,ij->p", cut[1 + a], cut[1 + b], square) for b in (0, 1)] for a in (0, 1)]
    ).transpose(2, 0, 1)
    detail = np.linalg.eigvalsh(information)[:, 0]
    chosen = np.sort(np.argsort(-detail, kind="stable")[:MOST])
    chosen = chosen[detail[chosen] > 0.02 * detail.max()]
    middle = corners[chosen] + SIDE // 2
    influence = _influence(grid, modes, middle)
    pieces = (cut[0][chosen] - cut[0][chosen].mean((1, 2), keepdims=True)) * window
    return Patches(
        corners[chosen],
        np.fft.rfft2(pieces, axes=(1, 2)).conj().astype(np.complex64),
        np.einsum("pij,pij->p", pieces, pieces, dtype=np.float64),
        information[chosen],
        influence,
        np.tensordot(influence, influence, (2, 2)),
        grid.binning,
    )


def _influence(grid: Grid, modes: Modes, middle: NDArray[np.intp]) -> NDArray[np.float64]:
    shapes = modes.shapes.astype(np.float64).reshape(*modes.nodes, modes.count)
    row, column = middle.T
    along = [
        np.einsum("pi,pj,ijk->pk", a[row].astype(np.float64), b[column].astype(np.float64), shapes, optimize=True)
        for a, b in ((grid.row_slope, grid.column), (grid.row, grid.column_slope))
    ]
    return np.stack(along, axis=1)
