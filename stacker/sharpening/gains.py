"""Starlet gains that come closest to a wanted transfer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from stacker.sharpening.starlet import plane_transfer

Curve = NDArray[np.float64]

_DIRECTIONS = 8
_SAMPLES = 160
_PULL = 0.02


def radial_plane_transfer(frequency_cyc_per_px: Curve, planes: int) -> Curve:
    """Return the transfer of each plane and of the smooth rest, (planes + 1, R), averaged over directions."""
    angle = (np.arange(_DIRECTIONS) + 0.5) * (0.5 * np.pi / _DIRECTIONS)
    f = np.asarray(frequency_cyc_per_px, np.float64)[:, None]
    return np.asarray(plane_transfer(f * np.sin(angle), f * np.cos(angle), planes).mean(2))


def gains_for(frequency_cyc_per_px: Curve, wanted: Curve, amplitude: Curve, planes: int) -> Curve:
    """Return the non-negative gains (planes,) whose sum of planes comes closest to `wanted` (R,).

    Least squares over the image's modes, each weighing its `amplitude` (R,) at the rising frequencies (R,), both
    continued below the first one: `wanted` towards 1, the amplitude as 1/f. A weak pull towards the wanted
    transfer at the middle of each plane settles what the image leaves open. The smooth rest keeps its gain of 1, and
    with it the flux. Lawson & Hanson 1974, Solving Least Squares Problems.
    """
    f = np.geomspace(1e-3, 0.5, _SAMPLES)
    target = np.interp(f, np.append(0.0, frequency_cyc_per_px), np.append(1.0, wanted))
    level = np.interp(f, frequency_cyc_per_px, np.maximum(amplitude, 1e-6 * amplitude.max()))
    level *= np.maximum(1.0, frequency_cyc_per_px[0] / f)
    weight = level * f
    weight /= np.sqrt((weight**2).mean())
    transfer = radial_plane_transfer(f, planes)
    rest = target - transfer[-1]
    centre = transfer[:-1] ** 2 / (transfer[:-1] ** 2).sum(1, keepdims=True)
    pull = _PULL * np.sqrt(_SAMPLES)
    matrix = np.concatenate([(transfer[:-1] * weight).T, pull * np.eye(planes)])
    gains, _ = nnls(matrix, np.concatenate([rest * weight, pull * (centre @ target)]))
    return np.asarray(gains)
