"""The linear stack and all that later stages need to know about how it was made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift


@dataclass(frozen=True)
class Stack:
    """A linear mean of aligned frames, with its uncertainty."""

    image: NDArray[np.float32]
    """(H, W) or (H, W, 3), ADU of the capture, linear."""
    variance: NDArray[np.float32]
    """As `image`: variance of that mean in ADU^2, from the scatter of the frames."""
    coverage: NDArray[np.float32]
    """As `image`: effective number of frames behind each pixel, 0 where none."""
    half_a: NDArray[np.float32]
    """As `image`: stack of one half of the frames, with its own reference and selection."""
    half_b: NDArray[np.float32]
    """As `image`: stack of the other half."""
    mask: NDArray[np.bool_]
    """(H, W) True on the target (limb included); all True for a surface."""
    kind: str
    """`disc` or `surface`."""
    frame_power: NDArray[np.float32] | None
    """(H', W'//2+1) mean |FFT|^2 of the kept, dewarped single frames under the window that `measuring.spectra` defines;
    None where not kept."""
    weights: NDArray[np.float64]
    """(N,) weight of every frame of the capture in the mean, 0 where unused; sums to 1."""
    share_a: float = 0.5
    """Share of the weights that belongs to half a."""
    notes: tuple[str, ...] = ()
    kernel: str = "cubic"
    """Of the interpolation that brought the frames onto its pixels."""
    zoom: float = 1.0
    """Pixels of this stack per camera pixel along each side."""
    colour_shifts: tuple[Shift, Shift] | None = None
    """By how much red and blue were moved back onto green; None for mono and before that."""
    measured_colour_shifts: tuple[Shift, Shift] | None = None
    """The same by the picture alone, before it was weighed against physics."""
