"""What the first pass notes of a few frames at once, and what it expects of a sound one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]


@dataclass
class Glances:
    """A few frames as the first pass sees them, an entry a frame in every column; nan where a frame does not say."""

    count: int
    grid: tuple[int, int]
    """Patches down and across."""
    shift_px: Column = field(init=False)
    """(count, 2)."""
    quality: Column = field(init=False)
    significance: Column = field(init=False)
    sharpness: Column = field(init=False)
    patches: NDArray[np.float32] = field(init=False)
    """(count, GY, GX)."""
    brightness: Column = field(init=False)
    misfit: Column = field(init=False)
    """Root mean square difference from the template, brightness matched, over the template's own contrast."""
    local_misfit: Column = field(init=False)
    """The same in the worst patch."""
    row_jump: Column = field(init=False)
    """Largest step between two rows that the rows next to it do not share, in standard deviations."""
    covered: Column = field(init=False)
    """Share of the cells' window that lies in the frame."""
    roughness: Column = field(init=False)
    """Mean absolute third difference along rows as stored: noise, and bits that fell over."""
    clipped: Column = field(init=False)
    not_finite: Column = field(init=False)
    """Fraction of pixels that are nan or infinite."""
    difference: Column = field(init=False)
    """Mean absolute difference from the frame before, ADU; of the first frame, see `first_sample`."""
    readable: NDArray[np.bool_] = field(init=False)
    blank: NDArray[np.bool_] = field(init=False)
    first_sample: NDArray[Any] | None = None
    """Every fourth row of the first frame as stored: tells a frame from its copy."""
    last_sample: NDArray[Any] | None = None

    def __post_init__(self) -> None:
        """Begin with frames that were read and say nothing."""
        for name in ("sharpness", "brightness", "misfit", "local_misfit", "row_jump", "roughness", "difference"):
            setattr(self, name, np.full(self.count, np.nan))
        for name in ("quality", "significance", "covered", "clipped", "not_finite"):
            setattr(self, name, np.zeros(self.count))
        self.shift_px = np.full((self.count, 2), np.nan)
        self.patches = np.full((self.count, *self.grid), np.nan, np.float32)
        self.readable, self.blank = np.ones(self.count, bool), np.zeros(self.count, bool)

    @classmethod
    def joined(cls, parts: Sequence[Glances]) -> Glances:
        """Return glances at the frames of one part after the other."""
        whole = cls(sum(part.count for part in parts), parts[0].grid)
        for name, column in vars(whole).items():
            if isinstance(column, np.ndarray):
                np.concatenate([getattr(part, name) for part in parts], out=column)
        whole.first_sample, whole.last_sample = parts[0].first_sample, parts[-1].last_sample
        return whole


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
