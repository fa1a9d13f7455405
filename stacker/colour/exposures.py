"""Two exposures of one target made one, in linear light: the long one where it is not clipped, the short one elsewhere.

Both are weighted by their own noise; where the long one nears saturation its weight falls smoothly to nothing, so that
there is no edge between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float32]
Mask = NDArray[np.bool_]
TRUSTED_SHARE, CLIPPED_SHARE = 0.6, 0.8
"""Of saturation: below the first the long exposure counts in full, above the second not at all. A stack averages frames
whose seeing and noise clip some before the mean does."""
NEAR_PX = 2
"""What stands this close to clipped pixels is not trusted either: charge spills over."""
SOFT_PX, SPARE_PX = 2.0, 4
"""Softness of the change from one exposure to the other, and how much earlier it begins for that."""
_NOISE_BLUR_PX = 2.0
"""Variances are smoothed by this, or weights would follow the noise they are to suppress and bias the mean."""
_FEWEST_PIXELS = 50
_LEAST_SIGMAS = 5.0


@dataclass(frozen=True)
class Ratio:
    """How the long exposure counts: long = factor * short + offset."""

    factor: float
    factor_error: float
    offset_adu: float


def trust(long: Real, saturation: float) -> Real:
    """Return (H, W): 1 where a long exposure (H, W) or (H, W, 3) is far from clipping, falling smoothly to 0."""
    brightest = long if long.ndim == 2 else long.max(2)
    if not np.isfinite(saturation):
        return np.ones(brightest.shape, np.float32)
    share = [_far_from_clipping(brightest / np.float32(saturation), reach) for reach in (NEAR_PX, NEAR_PX + SPARE_PX)]
    softened = cv2.GaussianBlur(share[1], (0, 0), SOFT_PX, borderType=cv2.BORDER_REFLECT)
    # The tail of the softening must not give weight back to what is clipped.
    return np.asarray(np.where(share[0] > 0, softened, np.float32(0)), np.float32)


def _far_from_clipping(part_of_saturation: Real, reach_px: int) -> Real:
    edge = 2 * reach_px + 1
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (edge, edge))
    near = cv2.dilate(np.ascontiguousarray(part_of_saturation, np.float32), around)
    return np.asarray(np.clip((CLIPPED_SHARE - near) / (CLIPPED_SHARE - TRUSTED_SHARE), 0, 1), np.float32)


def measure_ratio(short: Real, long: Real, trusted: Real, noise_adu: tuple[float, float]) -> Ratio:
    """Return the ratio of two exposures (H, W) on the same pixels from where `trusted` (H, W) is 1.

    The short exposure is fitted as a line over the long one, whose noise is small against its range: a line the other
    way round would be too flat. What its noise still does is taken out (errors in variables; Fuller 1987, Measurement
    Error Models, equation 1.2.3, from memory). `noise_adu` are the standard deviations of a pixel in short and long.
    Raises ValueError where the pictures share too few pixels or no range of brightness.
    """
    usable = trusted > 0.99
    count = int(usable.sum())
    if count < _FEWEST_PIXELS:
        raise ValueError("the long exposure is clipped nearly everywhere")
    little, much = short[usable].astype(np.float64), long[usable].astype(np.float64)
    power = float(((much - much.mean()) ** 2).sum()) - count * noise_adu[1] ** 2
    if power <= 0:
        raise ValueError("nothing stands out of the sky that both exposures show")
    slope = float(((much - much.mean()) * (little - little.mean())).sum()) / power
    slope_error = sqrt((noise_adu[0] ** 2 + (slope * noise_adu[1]) ** 2) / power)
    if slope < _LEAST_SIGMAS * slope_error:
        raise ValueError("the short exposure shows nothing of what the long one does")
    factor = 1 / slope
    return levelled(Ratio(factor, factor**2 * slope_error, 0.0), short, long, trusted)


def levelled(ratio: Ratio, short: Real, long: Real, trusted: Real) -> Ratio:
    """Return a ratio with the offset that lays one picture (H, W) onto another where `trusted` (H, W) is 1.

    Unlike seeing bends the line about a limb. The median does not mind: of a planet it is the sky, where a step shows.
    """
    usable = trusted > 0.99
    apart = long[usable].astype(np.float64) - ratio.factor * short[usable].astype(np.float64)
    return replace(ratio, offset_adu=float(np.median(apart)))


def join(
    short: tuple[Real, Real], long: tuple[Real, Real], trusted: Real, ratios: list[Ratio]
) -> tuple[Real, Real, Real]:
    """Return (image, variance, share of long) from (image, variance) of both, on the same pixels, in short's units.

    Images are (H, W), or (H, W, 3) with one ratio a channel; `trusted` (H, W) multiplies the weight of the long one.
    """
    parts = [_planes(part) for part in (*short, *long)]
    planes = [
        _joined_plane(parts[0][k], parts[1][k], parts[2][k], parts[3][k], trusted, ratio)
        for k, ratio in enumerate(ratios)
    ]
    if short[0].ndim == 2:
        return planes[0]
    image, variance, share = (np.stack([plane[part] for plane in planes], 2) for part in range(3))
    return image, variance, share.mean(2)


def _joined_plane(
    short: Real, short_variance: Real, long: Real, long_variance: Real, trusted: Real, ratio: Ratio
) -> tuple[Real, Real, Real]:
    scaled = (long - np.float32(ratio.offset_adu)) / np.float32(ratio.factor)
    scaled_variance = long_variance / np.float32(ratio.factor**2)
    weights = [1 / np.maximum(_smoothed(variance), 1e-20) for variance in (short_variance, scaled_variance)]
    weights[1] = weights[1] * trusted
    share = weights[1] / (weights[0] + weights[1])
    image = short + share * (scaled - short)
    variance = (1 - share) ** 2 * short_variance + share**2 * scaled_variance
    return image.astype(np.float32), variance.astype(np.float32), share.astype(np.float32)


def _smoothed(variance: Real) -> NDArray[np.float64]:
    smooth = cv2.GaussianBlur(variance.astype(np.float64), (0, 0), _NOISE_BLUR_PX, borderType=cv2.BORDER_REFLECT)
    # A pixel that no frame saw has no variance, and no weight.
    return np.where(np.asarray(smooth) > 0, smooth, inf)


def _planes(image: Real) -> list[Real]:
    return [image] if image.ndim == 2 else [np.ascontiguousarray(image[..., k]) for k in range(image.shape[2])]
