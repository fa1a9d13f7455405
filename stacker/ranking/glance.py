"""What the first pass notes of one frame, and what it expects of a sound one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Glance:
    """One frame, as the first pass sees it; nan where the frame does not say."""

    shift_px: tuple[float, float] = (np.nan, np.nan)
    quality: float = 0.0
    significance: float = 0.0
    sharpness: float = np.nan
    patches: NDArray[np.float32] | None = None
    brightness: float = np.nan
    misfit: float = np.nan
    """Root mean square difference from the template, brightness matched, over the template's own contrast."""
    local_misfit: float = np.nan
    """The same in the worst patch."""
    row_jump: float = np.nan
    """Largest step between two rows that the rows next to it do not share, in standard deviations."""
    covered: float = 0.0
    """Share of the cells' window that lies in the frame."""
    roughness: float = np.nan
    """Mean absolute third difference along rows as stored: noise, and bits that fell over."""
    clipped: float = 0.0
    blank: bool = False
    not_finite: float = 0.0
    """Fraction of pixels that are nan or infinite."""
    sample: NDArray[Any] | None = None
    """Every fourth row as stored: tells a frame from its copy."""
    readable: bool = True


UNREADABLE = Glance(readable=False)


@dataclass(frozen=True)
class Template:
    """Cell means of good frames: what a sound frame looks like in the target's frame of reference."""

    light: NDArray[np.float32]
    """(rows, columns) ADU above the sky."""
    energy: NDArray[np.float32]
    """(rows, columns) squared difference of Gaussians, noise floor subtracted, for the template's brightness."""
    contrast: float
    """Standard deviation of `light`, ADU."""
    sky_adu: float
    """Mean level of the sky under it, ADU; 0 for a surface."""

    @property
    def level(self) -> NDArray[np.float32]:
        """(rows, columns) ADU as stored."""
        return self.light + np.float32(self.sky_adu)
