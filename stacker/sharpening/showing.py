"""A linear image stretched for the eye, 16 bit."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.noise import sky_of

_WHITE = 65535.0
_SHOULDER = 0.85


@dataclass(frozen=True)
class Tone:
    """What black and white mean in a shown picture, in ADU, and the gamma between them."""

    black: float
    white: float
    gamma: float

    def apply(self, image: NDArray[np.float32]) -> NDArray[np.uint16]:
        """Return `image`, (H, W) or (H, W, 3), as uint16 of the same shape; all black where there is no range."""
        if not self.white > self.black:
            return np.zeros(image.shape, np.uint16)
        tone = np.clip((image - np.float32(self.black)) / np.float32(self.white - self.black), 0.0, None)
        tone = cv2.pow(tone, self.gamma).reshape(image.shape)
        room = 1.0 - _SHOULDER
        bent = 1.0 - room * np.exp(-(tone - _SHOULDER) / room)
        return np.asarray(np.rint(np.where(tone > _SHOULDER, bent, tone) * _WHITE), np.uint16)


def tone_for_showing(image: NDArray[np.float32], mask: NDArray[np.bool_], kind: str) -> Tone:
    """Return the tone that suits `image`, (H, W) or (H, W, 3); colours share it.

    A `disc` gets black just above the sky, its median at 0.55 of white and room above its brightest parts; a `surface`
    gets its 0.5 and 99.5 percentiles, widened by a tenth each, and its median at 0.45. A soft shoulder bends
    what lies beyond 0.85 of white.
    """
    grey = image if image.ndim == 2 else image.mean(2)
    black, white, median, target = _disc_range(grey, mask) if kind == "disc" else _surface_range(grey, mask)
    if not white > black:
        return Tone(black, black, 1.0)
    middle = np.clip((median - black) / (white - black), 0.02, 0.98)
    return Tone(black, white, float(np.clip(np.log(target) / np.log(middle), 0.25, 2.0)))


def stretch_for_showing(image: NDArray[np.float32], mask: NDArray[np.bool_], kind: str) -> NDArray[np.uint16]:
    """Return `image` as uint16 of the same shape, with the tone that suits it."""
    return tone_for_showing(image, mask, kind).apply(image)


def _disc_range(grey: NDArray[np.float32], mask: NDArray[np.bool_]) -> tuple[float, float, float, float]:
    """Return black, white, the target's median and where that median is to stand."""
    sky = sky_of(mask)
    dark = float(np.median(grey[sky])) if sky.any() else float(grey.min())
    high = float(np.percentile(grey[mask], 99.5))
    span = high - dark
    return dark + 0.005 * span, high + 0.25 * span, float(np.median(grey[mask])), 0.55


def _surface_range(grey: NDArray[np.float32], mask: NDArray[np.bool_]) -> tuple[float, float, float, float]:
    low, median, high = (float(v) for v in np.percentile(grey[mask], (0.5, 50.0, 99.5)))
    room = 0.1 * (high - low)
    return low - room, high + room, median, 0.45
