"""The spectrum of white noise in frames that were moved by fractions of a pixel.

Interpolation averages neighbours, the more the farther the place is from a pixel, so noise falls towards the highest
frequencies. Averaged over places this has a fixed shape, which tells the noise at low frequencies from what is seen
beyond the optical cutoff.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]

_KEYS = -0.75
_DIRECTIONS = (np.arange(8) + 0.5) * np.pi / 16.0
_REACH_PX = 2.0
_DISTANCES_PX = (np.arange(64) + 0.5) * _REACH_PX / 64
_FOLDS = np.arange(-2, 3)


def interpolated_noise(frequency_cyc_per_px: Curve, zoom: float = 1.0) -> Curve:
    """Return the power of white noise after cubic interpolation at random places, 1 at zero frequency.

    Keys 1981, IEEE Trans. ASSP 29, 1153, with a = -0.75; mean over directions and over places. Frequencies are those of
    the camera's pixels, `zoom` how many are interpolated for each of them along a side.
    """
    rows, columns = _along_directions(frequency_cyc_per_px)
    return np.asarray((_line_noise(rows, zoom) * _line_noise(columns, zoom)).mean(-1))


def interpolated_mosaic_noise(frequency_cyc_per_px: Curve, zoom: float = 1.0) -> Curve:
    """Return the same for the green of a mosaic whose gaps were filled with the mean of their four neighbours.

    The filling convolves a chequerboard of samples with (0 1 0, 1 4 1, 0 1 0)/4: transfer 1 + (cos + cos) / 2.
    """
    rows, columns = _along_directions(frequency_cyc_per_px)
    filling = 1.0 + 0.5 * (np.cos(2.0 * np.pi * rows) + np.cos(2.0 * np.pi * columns))
    return np.asarray((0.25 * filling**2 * _line_noise(rows, zoom) * _line_noise(columns, zoom)).mean(-1))


def filled_mosaic(frequency_cyc_per_px: Curve) -> Curve:
    """Return the power that filling a mosaic's green leaves of what was seen: (1/2 + (cos + cos) / 4)^2."""
    rows, columns = _along_directions(frequency_cyc_per_px)
    filling = 0.5 + 0.25 * (np.cos(2.0 * np.pi * rows) + np.cos(2.0 * np.pi * columns))
    return np.asarray((filling**2).mean(-1))


def _along_directions(frequency: Curve) -> tuple[Curve, Curve]:
    f = np.asarray(frequency, np.float64)[..., None]
    return f * np.sin(_DIRECTIONS), f * np.cos(_DIRECTIONS)


def _line_noise(frequency: Curve, zoom: float) -> Curve:
    """Return the squared transfer of the kernel along one axis, with what sampling `zoom` times a pixel folds back."""
    a, far = _KEYS, _DISTANCES_PX
    near = far[far < 1.0]
    inner = (a + 2.0) * near**3 - (a + 3.0) * near**2 + 1.0
    far = far[len(near) :]
    outer = a * far**3 - 5.0 * a * far**2 + 8.0 * a * far - 4.0 * a
    kernel = np.concatenate([inner, outer]) * 2.0 * (_DISTANCES_PX[1] - _DISTANCES_PX[0])
    folded = (np.cos(2.0 * np.pi * (frequency[..., None] + fold * zoom) * _DISTANCES_PX) @ kernel for fold in _FOLDS)
    return np.asarray(sum(transfer**2 for transfer in folded))
