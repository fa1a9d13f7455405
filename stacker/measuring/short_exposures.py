"""What short exposures through turbulent air look like: a table from simulated wavefronts.

`short_exposures.csv` beside this file comes from 1536 phase screens of 32 px across the aperture (Kolmogorov power
0.0229 r0^(-5/3) f^(-11/3), residual variance without tilt 0.135 (D/r0)^(5/3) rad^2, where Noll 1976, J. Opt. Soc. Am.
66, 207, has 0.134), seen through apertures with obstruction and static defocus while r0 wanders by 15 %, and recentred
by `recentring.py` as measured patches are. `python scripts/experiment_seeing.py --table` makes it anew.

With H the transfer of one exposure and M its mean, the speckle <|H - M|^2> / |M|^2 splits into a part P along M (the
exposure is sharper or softer) and a part O across it (the exposure's phase is off). Noise does not touch P - O, because
noise has no preferred phase.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]

LEAST_RATIO, MOST_RATIO = 0.72, 11.9
"""D / r0 that the table spans."""
MOST_DEFOCUS_WAVES = 0.79


@dataclass(frozen=True)
class _Table:
    """Obstructions (O,), defocus in waves (W,), ln D/r0 (Q,), frequencies over the cutoff (F,)."""

    obstruction: Curve
    defocus: Curve
    log_ratio: Curve
    frequency: Curve
    log_speckle: Curve
    """(O, W, Q, F) ln (P + O)."""
    evenness: Curve
    """(O, W, Q, F) (P - O) / (P + O)."""


class ShortExposures:
    """Speckle at given frequencies (R,), in units of the cutoff, through one telescope.

    Limits: D/r0 0.7 to 12, 0 to 0.8 waves, obstruction 0 to 0.35; beyond these the table's edge holds.
    """

    def __init__(self, frequency: Curve, obstruction_ratio: float) -> None:
        """`obstruction_ratio` is the diameter of the central obstruction over the aperture's."""
        table = _table()
        upper, part = between(table.obstruction, min(max(obstruction_ratio, 0.0), float(table.obstruction[-1])))
        # Defocus of either sign does the same: nothing changes with a very small one.
        self._along_defocus = HermiteCurve(table.defocus, flat_start=True)
        self._along_ratio = HermiteCurve(table.log_ratio)
        cubes = []
        for values in (table.log_speckle, table.evenness):
            cube = (1.0 - part) * values[upper - 1] + part * values[upper]
            rows = [np.interp(frequency, table.frequency, row) for row in cube.reshape(-1, cube.shape[-1])]
            cubes.append(np.array(rows).reshape(*cube.shape[:2], -1))
        self._rows = np.stack(cubes, 2).reshape(len(table.defocus), -1)

    def speckle(self, aperture_over_r0: float, defocus_waves: float) -> tuple[Curve, Curve]:
        """Return P + O and P - O, (R,) each; defocus is static, peak to valley, of either sign."""
        row = self._along_defocus.weights(abs(defocus_waves)) @ self._rows
        column = self._along_ratio.weights(math.log(aperture_over_r0))
        log_speckle, evenness = (column @ row.reshape(len(column), -1)).reshape(2, -1)
        amount = np.exp(log_speckle)
        return amount, amount * evenness


class HermiteCurve:
    """Smooth interpolation between the points of a rising grid: a fit would get stuck at corners."""

    def __init__(self, grid: Curve, flat_start: bool = False) -> None:
        """`flat_start`: the curve is level at the grid's first point."""
        self._grid = grid.tolist()
        self._slopes: Curve = np.asarray(np.gradient(np.eye(len(grid)), grid, axis=0))
        if flat_start:
            self._slopes[0] = 0.0

    def weights(self, value: float) -> Curve:
        """Return the weights (N,) of the values at the grid's points, by cubic Hermite interpolation."""
        upper = min(max(bisect_left(self._grid, value), 1), len(self._grid) - 1)
        low, high = self._grid[upper - 1], self._grid[upper]
        t = min(max((value - low) / (high - low), 0.0), 1.0)
        fall, rise = (high - low) * t * (1.0 - t) ** 2, (high - low) * t * t * (1.0 - t)
        weights: Curve = fall * self._slopes[upper - 1] - rise * self._slopes[upper]
        weights[upper - 1] += (1.0 + 2.0 * t) * (1.0 - t) ** 2
        weights[upper] += t * t * (3.0 - 2.0 * t)
        return weights


def between(grid: Curve, value: float) -> tuple[int, float]:
    """Return the index of the upper neighbour of `value` on a rising grid, and the way from the lower one to it."""
    upper = min(max(int(grid.searchsorted(value)), 1), len(grid) - 1)
    return upper, float((value - grid[upper - 1]) / (grid[upper] - grid[upper - 1]))


@lru_cache(maxsize=1)
def _table() -> _Table:
    path = Path(__file__).with_name("short_exposures.csv")
    lines = [line.split(",") for line in path.read_text(encoding="ascii").splitlines()]
    numbers = np.array([row[:3] + row[4:] for row in lines[1:]], np.float64)
    axes = [np.unique(numbers[:, column]) for column in range(3)]
    cube = numbers[:, 3:].reshape(*(len(axis) for axis in axes), 2, -1)
    frequency = np.array(lines[0][4:], np.float64)
    return _Table(axes[0], axes[1], np.log(axes[2]), frequency, cube[..., 0, :], cube[..., 1, :])
