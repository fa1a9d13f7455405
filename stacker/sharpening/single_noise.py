"""The spectrum of white noise, and of what is seen, in frames that were moved by fractions of a pixel.

Interpolation averages neighbours, the more the farther the place is from a pixel, so noise falls towards the highest
frequencies. Averaged over places this has a fixed shape, which tells the noise at low frequencies from what is seen
beyond the optical cutoff.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.interpolation import REACH_PX, kernel_at

Curve = NDArray[np.float64]

_DIRECTIONS = (np.arange(8) + 0.5) * np.pi / 16.0
_DISTANCES_PX = (np.arange(64) + 0.5) * REACH_PX / 64
_FOLDS = np.arange(-2, 3)


def interpolated_noise(frequency_cyc_per_px: Curve, zoom: float = 1.0, kernel: str = "cubic") -> Curve:
    """Return the power of white noise after interpolation at random places, 1 at zero frequency.

    Mean over directions and over places, by a kernel of `stacker.interpolation`. Frequencies are those of the camera's
    pixels, `zoom` how many are interpolated for each of them along a side.
    """
    return np.asarray(_both_ways(_line_noise(_along_directions(frequency_cyc_per_px)[0], zoom, kernel)).mean(-1))


def softening(frequency_cyc_per_px: Curve, kernel: str) -> Curve:
    """Return what interpolation leaves of what is seen, over what the cubic one leaves, which is next to all."""
    rows, _ = _along_directions(frequency_cyc_per_px)
    left, by_cubic = (_both_ways(_transfer(rows, of)).mean(-1) for of in (kernel, "cubic"))
    return np.asarray(left / by_cubic)


def interpolated_mosaic_noise(frequency_cyc_per_px: Curve, zoom: float = 1.0, kernel: str = "cubic") -> Curve:
    """Return the same for the green of a mosaic whose gaps were filled with the mean of their four neighbours.

    The filling convolves a chequerboard of samples with (0 1 0, 1 4 1, 0 1 0)/4: transfer 1 + (cos + cos) / 2.
    """
    rows, columns = _along_directions(frequency_cyc_per_px)
    filling = 1.0 + 0.5 * (np.cos(2.0 * np.pi * rows) + np.cos(2.0 * np.pi * columns))
    return np.asarray((0.25 * filling**2 * _both_ways(_line_noise(rows, zoom, kernel))).mean(-1))


def filled_mosaic(frequency_cyc_per_px: Curve) -> Curve:
    """Return the power that filling a mosaic's green leaves of what was seen: (1/2 + (cos + cos) / 4)^2."""
    rows, columns = _along_directions(frequency_cyc_per_px)
    filling = 0.5 + 0.25 * (np.cos(2.0 * np.pi * rows) + np.cos(2.0 * np.pi * columns))
    return np.asarray((filling**2).mean(-1))


def _along_directions(frequency: Curve) -> tuple[Curve, Curve]:
    f = np.asarray(frequency, np.float64)[..., None]
    return f * np.sin(_DIRECTIONS), f * np.cos(_DIRECTIONS)


def _both_ways(along_rows: Curve) -> Curve:
    """Return the product of a figure (..., 8) along rows and along columns: to these, directions are mirrored."""
    return along_rows * along_rows[..., ::-1]


def _line_noise(frequency: Curve, zoom: float, kernel: str) -> Curve:
    """Return the squared transfer of the kernel along one axis, with what sampling `zoom` times a pixel folds back."""
    return np.asarray(sum(_transfer(frequency + fold * zoom, kernel) ** 2 for fold in _FOLDS))


def _transfer(frequency: Curve, kernel: str) -> Curve:
    """Return the transfer of the kernel along one axis."""
    weights = _WEIGHTS[kernel] * 2.0 * (_DISTANCES_PX[1] - _DISTANCES_PX[0])
    return np.asarray(np.cos(2.0 * np.pi * frequency[..., None] * _DISTANCES_PX) @ weights)


_WEIGHTS = {kernel: kernel_at(_DISTANCES_PX, kernel) for kernel in ("cubic", "prefiltered")}
