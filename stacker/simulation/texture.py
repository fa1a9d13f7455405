"""Random textures: fractal noise on a torus and its use as a stirring flow."""

from __future__ import annotations

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

Real = NDArray[np.float32]


def fractal_noise(
    rng: np.random.Generator,
    shape: tuple[int, int],
    slope: float,
    stretch: float = 1.0,
    longest: float = 1.0,
    shortest: float = 0.0,
) -> Real:
    """Return periodic Gaussian noise of zero mean and unit variance with power falling as frequency^-slope.

    `stretch` draws it out along the columns' direction (x); structures longer than `longest` or shorter than
    `shortest` heights of the picture are damped.
    """
    height, width = shape
    fy = scipy.fft.fftfreq(height, 1.0 / height).astype(np.float32)[:, None]
    fx = scipy.fft.rfftfreq(width, height / width / height).astype(np.float32)[None, :] * np.float32(height / width)
    frequency = np.hypot(fy, fx * np.float32(stretch))
    frequency[0, 0] = np.inf
    power_root = np.hypot(frequency, 1.0 / longest) ** (-slope / 2.0)
    power_root *= np.exp(-0.5 * (frequency * shortest) ** 2) if shortest else 1.0
    power_root[0, 0] = 0.0
    spectrum = scipy.fft.rfft2(rng.standard_normal(shape, dtype=np.float32)) * power_root.astype(np.float32)
    noise = scipy.fft.irfft2(spectrum, s=shape)
    return np.asarray(noise / noise.std(), np.float32)


def stir(picture: Real, stream: Real, steps: int, reach_px: float) -> Real:
    """Carry `picture` (H, W, C) along the flow around the contours of `stream` (H, W), `reach_px` at most a step.

    Columns are periodic (longitude), rows end at the border.
    """
    dy = np.gradient(stream, axis=0)
    dx = (np.roll(stream, -1, 1) - np.roll(stream, 1, 1)) / 2.0
    fastest = float(np.percentile(np.hypot(dy, dx), 99.5)) + 1e-12
    rows, columns = np.indices(stream.shape, dtype=np.float32)
    pad = int(np.ceil(4 * reach_px)) + 2
    map_x = (columns - dy / fastest * reach_px + pad).astype(np.float32)
    map_y = (rows + dx / fastest * reach_px).astype(np.float32)
    np.clip(map_x, 0, stream.shape[1] + 2 * pad - 1, out=map_x)
    for _ in range(steps):
        wide = cv2.copyMakeBorder(picture, 0, 0, pad, pad, cv2.BORDER_WRAP)
        moved = cv2.remap(wide, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        picture = np.asarray(moved, np.float32)
    return picture
