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
_PLACES = (np.arange(16) + 0.5) / 16.0


def interpolated_noise(frequency_cyc_per_px: Curve) -> Curve:
    """Return the power of white noise after cubic interpolation at random places, 1 at zero frequency.

    Keys 1981, IEEE Trans. ASSP 29, 1153, with a = -0.75; mean over directions and over places.
    """
    rows, columns = _along_directions(frequency_cyc_per_px)
    return np.asarray((_line_noise(rows) * _line_noise(columns)).mean(-1))


def interpolated_mosaic_noise(frequency_cyc_per_px: Curve) -> Curve:
    """Return the same for the green of a mosaic whose gaps were filled with the mean of their four neighbours.

    The filling convolves a chequerboard of samples with (0 1 0, 1 4 1, 0 1 0)/4: transfer 1 + (cos + cos) / 2.
    """
    rows, columns = _along_directions(frequency_cyc_per_px)
    filling = 1.0 + 0.5 * (np.cos(2.0 * np.pi * rows) + np.cos(2.0 * np.pi * columns))
    return np.asarray((0.25 * filling**2 * _line_noise(rows) * _line_noise(columns)).mean(-1))


def filled_mosaic(frequency_cyc_per_px: Curve) -> Curve:
    """Return the power that filling a mosaic's green leaves of what was seen: (1/2 + (cos + cos) / 4)^2."""
    rows, columns = _along_directions(frequency_cyc_per_px)
    filling = 0.5 + 0.25 * (np.cos(2.0 * np.pi * rows) + np.cos(2.0 * np.pi * columns))
    return np.asarray((filling**2).mean(-1))


def _along_directions(frequency: Curve) -> tuple[Curve, Curve]:
    f = np.asarray(frequency, np.float64)[..., None]
    return f * np.sin(_DIRECTIONS), f * np.cos(_DIRECTIONS)


def _line_noise(frequency: Curve) -> Curve:
    """Return the mean squared transfer along one axis."""
    a = _KEYS
    near, far = np.stack([_PLACES, 1.0 - _PLACES]), np.stack([1.0 + _PLACES, 2.0 - _PLACES])
    inner = (a + 2.0) * near**3 - (a + 3.0) * near**2 + 1.0
    outer = a * far**3 - 5.0 * a * far**2 + 8.0 * a * far - 4.0 * a
    taps = np.stack([outer[0], inner[0], inner[1], outer[1]])
    phase = np.exp(2j * np.pi * frequency[..., None] * np.arange(4))
    return np.asarray((np.abs(phase @ taps) ** 2).mean(-1))
