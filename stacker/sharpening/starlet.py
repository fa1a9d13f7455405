"""The starlet transform: an image as a sum of planes of growing scale, with exact inverse.

Starck, Fadili & Murtagh 2007, IEEE Transactions on Image Processing 16, 297; Starck & Murtagh, Astronomical Image
and Data Analysis (2006): c[j+1] = h[j] * c[j] with h = (1, 4, 6, 4, 1)/16 spread by 2^j ("with holes"),
w[j] = c[j] - c[j+1], image = c[J] + sum of w[j].
"""

from __future__ import annotations

from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = TypeVar("Plane", NDArray[np.float32], NDArray[np.float64])
Curve = NDArray[np.float64]

KERNEL = (0.0625, 0.25, 0.375, 0.25, 0.0625)


def starlet(image: Plane, planes: int) -> list[Plane]:
    """Split `image` (H, W), float32 or float64, into `planes` planes, finest first, and the smooth rest.

    The sum of all the returned arrays is the image, to rounding. Borders are mirrored about the outermost pixel.
    Raises ValueError where `planes` is negative or the image is no float plane.
    """
    if planes < 0 or image.ndim != 2 or image.dtype not in (np.float32, np.float64):
        raise ValueError("starlet takes a float32 or float64 plane and a number of planes from 0")
    parts: list[Plane] = []
    smooth = image
    for scale in range(planes):
        smoother = smooth_by(smooth, 2**scale)
        parts.append(smooth - smoother)
        smooth = smoother
    parts.append(smooth if planes else smooth.copy())
    return parts


def from_starlet(parts: list[Plane]) -> Plane:
    """Return the image whose planes these are: their sum."""
    total = parts[-1].copy()
    for part in reversed(parts[:-1]):
        total += part
    return total


def smooth_by(image: Plane, step: int) -> Plane:
    """Return `image` convolved along both axes with the kernel spread to every `step`-th pixel."""
    height, width = image.shape
    reach = 2 * step
    padded = _mirrored(image, reach)
    column = _weighted_sum([padded[k * step : k * step + height] for k in range(5)])
    smooth: Plane = _weighted_sum([column[:, k * step : k * step + width] for k in range(5)])
    return smooth


def _mirrored(image: Plane, reach: int) -> Any:
    """Return `image` with `reach` mirrored pixels on every side, however small it is."""
    if reach < min(image.shape):
        return cv2.copyMakeBorder(image, reach, reach, reach, reach, cv2.BORDER_REFLECT_101)
    return np.pad(image, reach, mode="reflect")


def _weighted_sum(shifted: list[Any]) -> Any:
    """Return the kernel's weighted sum of five shifted views."""
    outer = cv2.add(shifted[0], shifted[4])
    inner = cv2.add(shifted[1], shifted[3])
    total = cv2.addWeighted(inner, KERNEL[1], outer, KERNEL[0], 0.0)
    return cv2.scaleAdd(shifted[2], KERNEL[2], total)


def plane_transfer(frequency_rows: Curve, frequency_columns: Curve, planes: int) -> NDArray[np.float64]:
    """Return the transfer of each plane and of the smooth rest, (planes + 1, ...), at frequencies in cycles per pixel.

    The two frequency arrays are broadcast. The transfers are real and sum to 1.
    """
    smooth = np.ones(np.broadcast(frequency_rows, frequency_columns).shape)
    transfers = []
    for scale in range(planes):
        smoother = smooth * _kernel_transfer(frequency_rows * 2**scale) * _kernel_transfer(frequency_columns * 2**scale)
        transfers.append(smooth - smoother)
        smooth = smoother
    return np.stack([*transfers, smooth])


def plane_noise(planes: int, spectrum: NDArray[np.floating] | None = None, size: int = 512) -> NDArray[np.float64]:
    """Return the standard deviation of unit-variance noise in each of `planes` planes.

    `spectrum` is the noise power on the plane of a full transform (any shape, zero frequency first), scaled here to
    unit variance; None stands for white noise.
    """
    shape = (size, size) if spectrum is None else spectrum.shape
    rows, columns = (np.asarray(np.fft.fftfreq(n), np.float64) for n in shape)
    power = np.ones(shape) if spectrum is None else np.asarray(spectrum, np.float64)
    transfer = plane_transfer(rows[:, None], columns[None, :], planes)[:-1]
    return np.asarray(np.sqrt((transfer**2 * power).mean((1, 2)) / power.mean()))


def _kernel_transfer(frequency: Curve) -> NDArray[np.float64]:
    """Return the transfer of the kernel: (6 + 8 cos 2 pi f + 2 cos 4 pi f) / 16 = cos(pi f)^4."""
    return np.asarray(np.cos(np.pi * np.asarray(frequency, np.float64)) ** 4)
