"""What the first pass over a capture knows: the target, and each frame's quality, place and faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Target:
    """Where the target stands in the anchor frame, and what kind it is."""

    kind: str
    """`disc` (surrounded by sky) or `surface` (fills the frame)."""
    centre_px: tuple[float, float]
    """(row, column) of the target's middle in the anchor frame."""
    radius_px: float
    """Radius of the circle that encloses a disc; half the frame's diagonal for a surface."""
    mask: NDArray[np.bool_]
    """(H, W), True on the target in the anchor frame (limb included, sky not); all True for a surface."""


@dataclass(frozen=True)
class Ranking:
    """One row a frame; the anchor frame defines the zero of the coarse shifts."""

    target: Target
    anchor: int
    sharpness: NDArray[np.float64]
    """(N,) local contrast inside the target over that of good frames, noise floor subtracted, brightness normalised;
    nan where it has no meaning."""
    patch_sharpness: NDArray[np.float32]
    """(N, GY, GX) local contrast energy over squared brightness per patch of a regular grid laid over the anchor frame:
    patch (i, j) spans rows i H/GY to (i+1) H/GY; nan outside the target and where this frame does not show it."""
    brightness: NDArray[np.float64]
    """(N,) mean ADU of the target above the sky."""
    coarse_shift_px: NDArray[np.float64]
    """(N, 2) (dy, dx) of the target in this frame minus in the anchor frame, good to a pixel or two (what the
    air bends differently over the field is not a shift); nan where lost."""
    reason: tuple[str, ...]
    """(N,) why a frame must not be used: unreadable, not finite, blank, duplicate, clipped, out of field, torn or
    clouded; empty = usable."""
    noise_adu: float
    """Standard deviation of one frame's noise per pixel at the target's mean brightness."""
    clipped_fraction: float
    """Fraction of the target's pixels at full scale, over the usable frames."""

    @property
    def usable(self) -> NDArray[np.bool_]:
        """(N,) True where a frame may be used."""
        return np.array([not reason for reason in self.reason], dtype=bool)

    @property
    def order(self) -> NDArray[np.intp]:
        """Return the usable frames' indices, sharpest first (ties: earlier first)."""
        usable = np.flatnonzero(self.usable)
        return usable[np.argsort(-self.sharpness[usable], kind="stable")]
