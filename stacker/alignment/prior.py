"""What a displacement field may look like before it is measured: smooth, curl-free, a pixel or two in size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.spline import MARGIN_NODES, node_count

LENGTHS_PX = (12.0, 24.0, 48.0, 96.0, 192.0)
"""Correlation lengths of the field; equal variance on each stands for turbulence at many heights."""
SHIFT_RMS_PX = 2.0
"""Prior size of the motion common to the whole region, left over by the coarse tracking."""


@dataclass(frozen=True)
class Modes:
    """The leading modes of the prior: potential = shapes @ y with y standard normal."""

    shapes: NDArray[np.float32]
    """(nodes, modes); the first two are the shifts along rows and columns, in units of the prior's shift."""
    nodes: tuple[int, int]

    @property
    def count(self) -> int:
        """Number of modes."""
        return int(self.shapes.shape[1])

    def potential(self, y: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return the potential (node rows, node columns) of one coefficient vector (modes,)."""
        return (self.shapes @ y.astype(np.float32)).reshape(self.nodes)

    def project(self, nodes: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return shapes^T applied to sums over the nodes."""
        return (nodes @ self.shapes).astype(np.float64)


def turbulence_modes(shape: tuple[int, int], step_px: float, rms_px: float, limit: int) -> Modes:
    """Return at most `limit` modes of a curl-free Gaussian field on a (h, w) px region.

    The potential's covariance is a sum of L^2 exp(-r^2 / 2 L^2): each term has a gradient of unit variance an axis
    (the Gaussian as covariance of a smooth random potential: Rasmussen & Williams 2006, ch. 4 and 9.4, from memory);
    together they are scaled to a displacement of `rms_px` an axis.
    """
    rows, columns = (node_count(length, step_px) for length in shape)
    row, column = np.divmod(np.arange(rows * columns), columns)
    y, x = (row - MARGIN_NODES) * step_px, (column - MARGIN_NODES) * step_px
    distance2 = (y[:, None] - y[None]) ** 2 + (x[:, None] - x[None]) ** 2
    covariance = np.zeros_like(distance2)
    for length in LENGTHS_PX:
        covariance += length**2 * np.exp(-distance2 / (2 * length**2))
    covariance *= rms_px**2 / len(LENGTHS_PX)
    variance, vectors = np.linalg.eigh(covariance)
    leading = np.argsort(-variance, kind="stable")[: limit - 2]
    leading = leading[variance[leading] > 1e-6 * variance.max()]
    shapes = vectors[:, leading] * np.sqrt(variance[leading])
    shifts = np.stack([y, x], axis=1) * SHIFT_RMS_PX
    return Modes(np.concatenate([shifts, shapes], axis=1).astype(np.float32), (rows, columns))
