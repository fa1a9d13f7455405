"""The sharpened image and how it came about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Sharpened:
    """A linear image of the same scale and flux as the stack that it was made from."""

    image: NDArray[np.float32]
    """(H, W) or (H, W, 3), ADU of the capture, linear."""
    gains: NDArray[np.float64]
    """(C, planes) gain of every starlet plane of each colour, finest first, before the local gate; C is 1 or 3."""
    aperture_over_r0: float | None
    """D/r0 of the air that was undone, at the (green) channel's wavelength; None where it could not be measured."""
    note: str
    """Why little or nothing was sharpened; empty where all is well."""
