"""What twice or half as many frames would change."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.resolution import Rings, resolution_of


@dataclass(frozen=True)
class FrameCount:
    """Frames that were there and used, and the resolution that other numbers of them would reach."""

    usable: int
    used: int
    effective: float
    """Frames of equal weight that would average as well."""
    twice_resolution_px: float | None
    twice_resolution_px_error: float | None
    half_resolution_px: float | None
    half_resolution_px_error: float | None

    @property
    def gain_of_twice(self) -> float | None:
        """Return by which part twice the frames would refine the resolution that half of them reach, per doubling."""
        if self.twice_resolution_px is None or self.half_resolution_px is None:
            return None
        return 1.0 - float(np.sqrt(self.twice_resolution_px / self.half_resolution_px))


def count_frames(
    usable: int, weights: NDArray[np.float64], rings: Rings | None, cutoff_cyc_per_px: float | None
) -> FrameCount:
    """Return what the number of frames is worth.

    `weights` (N,) are those of all frames in the mean; `rings` compare the half-stacks. Signal over noise power grows
    with the number of frames (Unser, Trus & Steven 1987, Ultramicroscopy 23, 39): each ring's correlation follows from
    it by c = s / (1 + s), and the resolution from the rings.
    """
    used = weights[weights > 0]
    effective = float(used.sum() ** 2 / (used**2).sum()) if len(used) else 0.0
    found = [_resolution(rings, factor, cutoff_cyc_per_px) for factor in (2.0, 0.5)]
    return FrameCount(usable, len(used), effective, *found[0], *found[1])


def with_more_frames(rings: Rings, factor: float) -> Rings:
    """Return the rings that `factor` times as many frames of the same kind would give."""
    c = np.clip(rings.correlation, -0.99, 1.0 - 1e-9)
    # Where chance made the correlation negative there is no signal to grow.
    ratio = np.maximum(c, 0.0) / (1.0 - np.maximum(c, 0.0)) * factor
    grown = np.where(c > 0, ratio / (1.0 + ratio), c)
    return replace(rings, cross=np.asarray(grown * np.sqrt(rings.power_a * rings.power_b)))


def _resolution(
    rings: Rings | None, factor: float, cutoff_cyc_per_px: float | None
) -> tuple[float | None, float | None]:
    if rings is None:
        return None, None
    seen = resolution_of(with_more_frames(rings, factor), cutoff_cyc_per_px)
    return seen.half_bit_px, seen.half_bit_px_error
