"""A radial filter by Fourier transform, borders mirrored."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float32]
Curve = NDArray[np.float64]

_REACH_PX = 48


def filtered(image: Real, frequency_cyc_per_px: Curve, gain: Curve) -> Real:
    """Return `image` (H, W), float32, with every spatial frequency multiplied by a radial gain.

    `gain` (R,) stands at rising `frequency_cyc_per_px` (R,); between them it runs straight, towards 1 at zero frequency
    (the mean is kept but for what mirrored borders add) and on at its last value beyond. The image is mirrored over
    48 px at its borders, so that opposite borders do not meet.
    """
    height, width = image.shape
    rows, columns = (cv2.getOptimalDFTSize(n + 2 * _REACH_PX) for n in (height, width))
    padded = _mirrored(image, rows, columns)
    spectrum = np.fft.rfft2(padded)
    radius = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :])
    transfer = np.interp(radius, np.append(0.0, frequency_cyc_per_px), np.append(1.0, gain))
    spectrum *= transfer.astype(np.float32)
    whole = np.fft.irfft2(spectrum, (rows, columns))
    return np.ascontiguousarray(whole[_REACH_PX : _REACH_PX + height, _REACH_PX : _REACH_PX + width])


def _mirrored(image: Real, rows: int, columns: int) -> Real:
    """Return `image` mirrored to (rows, columns), its first pixel at (48, 48), however small it is."""
    height, width = image.shape
    after = rows - height - _REACH_PX, columns - width - _REACH_PX
    if min(height, width) > max(*after, _REACH_PX):
        edges = (_REACH_PX, after[0], _REACH_PX, after[1])
        return np.asarray(cv2.copyMakeBorder(image, *edges, cv2.BORDER_REFLECT_101), np.float32)
    return np.pad(image, ((_REACH_PX, after[0]), (_REACH_PX, after[1])), mode="reflect")
