"""What uniform motion, or a spread of colours, leaves of an image's detail."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]

_NOTHING = 1.0 / 30.0
_ANGLES = (np.arange(36) + 0.5) * np.pi / 72


def smear_transfer(frequency: Curve, length: float) -> Curve:
    """Return what a uniform smear over `length` leaves at `frequency`, in units that are inverse to each other.

    |sinc(f L cos a)| (Bracewell, The Fourier Transform and its Applications), the geometric mean over the angles a
    between the smear and the detail, since what counts is the logarithm of the signal; lines along the smear stay. A
    thirtieth is as good as nothing.
    """
    reach = np.asarray(frequency, np.float64)[:, None] * length * np.cos(_ANGLES)
    return np.asarray(np.exp(np.log(np.maximum(np.abs(np.sinc(reach)), _NOTHING)).mean(1)))
