"""What a displacement field may look like before it is measured: smooth, curl-free, a pixel or two in size."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.spline import MARGIN_NODES, node_count
from stacker.parallel import ordered_map

Float = NDArray[np.float64]
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


def turbulence_modes(shape: tuple[int, int], step_px: float, rms_px: float, limit: int, workers: int = 1) -> Modes:
    """Return at most `limit` modes of a curl-free Gaussian field on a (h, w) px region.

    The potential's covariance is a sum of L^2 exp(-r^2 / 2 L^2): each term has a gradient of unit variance an axis
    (the Gaussian as covariance of a smooth random potential: Rasmussen & Williams 2006, ch. 4 and 9.4, from memory);
    together they are scaled to a displacement of `rms_px` an axis. The result does not depend on `workers`.
    """
    counts = tuple(node_count(length, step_px) for length in shape)
    places = [(np.arange(count, dtype=np.float64) - MARGIN_NODES) * step_px for count in counts]
    kinds = product((False, True), repeat=2)
    found = list(ordered_map(lambda kind: _modes_of(places, *kind), kinds, workers, lookahead=4))
    variance, vectors = np.concatenate([v for v, _ in found]), np.concatenate([u for _, u in found], axis=1)
    variance *= rms_px**2 / len(LENGTHS_PX)
    leading = np.argsort(-variance, kind="stable")[: limit - 2]
    leading = leading[variance[leading] > 1e-6 * variance.max()]
    shapes = vectors[:, leading] * np.sqrt(variance[leading])
    shifts = np.stack([line.ravel() for line in np.meshgrid(*places, indexing="ij")], axis=1) * SHIFT_RMS_PX
    return Modes(np.concatenate([shifts, shapes], axis=1).astype(np.float32), (counts[0], counts[1]))


def _modes_of(places: list[Float], *odd: bool) -> tuple[Float, Float]:
    """Return variances and modes (nodes, n) of those that are odd or even along rows and along columns.

    A mirrored grid looks the same, so these four kinds do not mix: each is a quarter of the problem.
    """
    bases = [_halves_of(len(line), of) for line, of in zip(places, odd, strict=True)]
    covariance = np.zeros([bases[0].shape[1] * bases[1].shape[1]] * 2)
    for length in LENGTHS_PX:
        row, column = (
            basis.T @ np.exp(-((line[:, None] - line) ** 2) / (2 * length**2)) @ basis
            for line, basis in zip(places, bases, strict=True)
        )
        covariance += length**2 * np.kron(row, column)
    variance, vectors = np.linalg.eigh(covariance)
    return variance, np.kron(*bases) @ vectors


def _halves_of(count: int, odd: bool) -> Float:
    """Return an orthonormal basis (count, n) of the odd or of the even vectors."""
    one = np.eye(count)[: count // 2 if odd else -(-count // 2)]
    both = one - one[:, ::-1] if odd else one + one[:, ::-1]
    return np.asarray((both / np.linalg.norm(both, axis=1, keepdims=True)).T)
