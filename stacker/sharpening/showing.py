"""A linear image balanced and stretched for the eye, 16 bit."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.colour.balance import Balance, balance_of
from stacker.measuring.noise import sky_of
from stacker.settings import ColourSettings

Real = NDArray[np.float32]
Mask = NDArray[np.bool_]

_WHITE = 65535.0
_SHOULDER, _TOE = 0.85, 0.002
_COLOURLESS = 0.05
"""Below this share of white the saturation is left alone: there is more noise than colour."""


@dataclass(frozen=True)
class Tone:
    """From linear light to a shown picture: balance and saturation, still linear, then black, white and gamma."""

    black: float
    """In ADU above the sky where there is a balance, else in ADU; so is white."""
    white: float
    gamma: float
    balance: Balance | None = None
    """None for a mono image."""
    saturation: float = 1.0

    def apply(self, image: Real) -> NDArray[np.uint16]:
        """Return `image`, (H, W) or (H, W, 3), as uint16 of the same shape; all black where there is no range.

        Toe and shoulder bend what is beyond black and white instead of clipping it.
        """
        if not self.white > self.black:
            return np.zeros(image.shape, np.uint16)
        tone = (self.linear(image) - np.float32(self.black)) / np.float32(self.white - self.black)
        toe = np.float32(_TOE**2) / (np.float32(2 * _TOE) - np.minimum(tone, np.float32(_TOE)))
        lifted = cv2.pow(np.where(tone < _TOE, toe, tone), self.gamma)
        tone = np.asarray(lifted, np.float32).reshape(image.shape)
        room = 1.0 - _SHOULDER
        bent = 1.0 - room * np.exp(-(tone - _SHOULDER) / room)
        return np.asarray(np.rint(np.where(tone > _SHOULDER, bent, tone) * _WHITE), np.uint16)

    def linear(self, image: Real) -> Real:
        """Return the image balanced and saturated, in linear light; a mono image as it is."""
        if image.ndim == 2 or self.balance is None:
            return image
        return saturated(self.balance.apply(image), self.saturation, _COLOURLESS * (self.white - self.black))


def saturated(image: Real, saturation: float, dark: float) -> Real:
    """Return an image (H, W, 3) with its colours moved from their gray by a factor, brightness (their mean) kept.

    No value that was positive becomes negative: there the factor is smaller. Below `dark` the factor goes to 1.
    """
    gray = image.mean(2, keepdims=True)
    lowest = image.min(2, keepdims=True)
    most = np.where((lowest > 0) & (gray > lowest), gray / np.maximum(gray - lowest, 1e-12), 1.0)
    depth = np.clip(gray / max(dark, 1e-12), 0.0, 1.0)
    wanted = np.float32(1) + np.float32(saturation - 1) * depth
    factor = np.minimum(wanted, np.maximum(most, 1.0)) if saturation > 1 else wanted
    return np.asarray(gray + factor * (image - gray), np.float32)


def tone_for_showing(
    image: Real, mask: Mask, kind: str, settings: ColourSettings | None = None, target: str | None = None
) -> Tone:
    """Return the tone that suits `image`, (H, W) or (H, W, 3) in linear light; colours share black, white and gamma.

    A `disc` gets black just above the sky, its median at 0.55 of white and room above its brightest parts; a `surface`
    gets its 0.5 and 99.5 percentiles, widened by a tenth each, and its median at 0.45. A soft shoulder bends
    what lies beyond 0.85 of white. Colours are balanced as `settings` say; `target` may have a known colour.
    """
    settings = settings or ColourSettings()
    balance = balance_of(image, mask, kind, settings, target) if image.ndim == 3 else None
    grey = image if balance is None else balance.apply(image).mean(2)
    black, white, median, wanted = _disc_range(grey, mask) if kind == "disc" else _surface_range(grey, mask)
    if not white > black:
        return Tone(black, black, 1.0, balance)
    middle = np.clip((median - black) / (white - black), 0.02, 0.98)
    gamma = float(np.clip(np.log(wanted) / np.log(middle), 0.25, 2.0))
    return Tone(black, white, gamma, balance, settings.saturation)


def compressed(image: Real, mask: Mask, kind: str, faint: float) -> Real:
    """Return a linear image, (H, W) or (H, W, 3), with its range drawn together so that faint and bright both show.

    What is above the sky (above the lowest values of a surface) goes through asinh(x / s), linear below s and
    logarithmic above; colours keep their ratios (Lupton et al. 2004, PASP 116, 133). s is `faint`, in ADU, but at least
    1/1000 of the range, or the bright part would lose all contrast.
    """
    grey = image if image.ndim == 2 else image.mean(2)
    sky = sky_of(mask) if kind == "disc" else np.zeros_like(mask)
    base = float(np.median(grey[sky])) if sky.any() else float(np.percentile(grey, 0.5))
    light = grey - np.float32(base)
    soft = np.float32(max(faint, float(np.percentile(light, 99.9)) / 1000, 1e-12))
    drawn = soft * np.arcsinh(light / soft)
    if image.ndim == 2:
        return np.asarray(drawn, np.float32)
    factor = np.where(np.abs(light) > 1e-3 * soft, drawn / np.where(light == 0, soft, light), np.float32(1))
    return np.asarray((image - np.float32(base)) * factor[..., None], np.float32)


def stretch_for_showing(image: Real, mask: Mask, kind: str) -> NDArray[np.uint16]:
    """Return `image` as uint16 of the same shape, with the tone that suits it."""
    return tone_for_showing(image, mask, kind).apply(image)


def _disc_range(grey: Real, mask: Mask) -> tuple[float, float, float, float]:
    """Return black, white, the target's median and where that median is to stand."""
    sky = sky_of(mask)
    dark = float(np.median(grey[sky])) if sky.any() else float(grey.min())
    high = float(np.percentile(grey[mask], 99.5))
    span = high - dark
    return dark + 0.005 * span, high + 0.25 * span, float(np.median(grey[mask])), 0.55


def _surface_range(grey: Real, mask: Mask) -> tuple[float, float, float, float]:
    low, median, high = (float(v) for v in np.percentile(grey[mask], (0.5, 50.0, 99.5)))
    room = 0.1 * (high - low)
    return low - room, high + room, median, 0.45
