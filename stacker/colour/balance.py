"""White balance: what each colour is multiplied by so that sunlight, or the target itself, looks white."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.settings import ColourSettings

Real = NDArray[np.float32]
Mask = NDArray[np.bool_]

DISC_COLOURS: dict[str, tuple[float, float]] = {
    "sun": (1.0, 1.0),
    "moon": (1.16, 0.78),
    "mercury": (1.11, 0.80),
    "venus": (1.00, 0.93),
    "mars": (1.47, 0.52),
    "jupiter": (1.02, 0.82),
    "saturn": (1.14, 0.68),
    "uranus": (0.65, 1.10),
    "neptune": (0.62, 1.20),
}
"""Red and blue over green of each disc where sunlight is white: albedos in R, V and B (Mallama, Krobusek & Pavlov 2017,
Icarus 282, 19; the Moon by its colour index), from memory and rounded; red of the outer giants is softened, since a
camera's red ends before their strongest methane bands. Good to a tenth."""


@dataclass(frozen=True)
class Balance:
    """What makes a linear colour image neutral: (image - sky) times the gains."""

    gains: tuple[float, float, float]
    """R, G, B; the mean brightness of the target stays."""
    sky_adu: tuple[float, float, float]
    """What is taken off first; 0 for a surface, which shows no sky."""
    words: str
    """How the gains were had."""

    @property
    def over_green(self) -> tuple[float, float, float]:
        """Return the gains with that of green as 1, as the settings take them."""
        red, green, blue = self.gains
        return red / green, 1.0, blue / green

    def apply(self, image: Real) -> Real:
        """Return an image (H, W, 3) balanced, still linear, nothing clipped."""
        sky, gains = (np.array(triple, np.float32) for triple in (self.sky_adu, self.gains))
        return np.asarray((image - sky) * gains, np.float32)


def balance_of(image: Real, mask: Mask, kind: str, settings: ColourSettings, target: str | None) -> Balance:
    """Return the balance of a linear image (H, W, 3) whose target is under `mask` (H, W); `kind` is disc or surface.

    By `settings.balance`: `auto` gives the disc of a known `target` its published colour under white sunlight and any
    other a neutral mean; `neutral` does the latter always; `given` takes red_gain and blue_gain; `none` takes 1.
    Limits: a neutral mean hides the colour of the target as a whole. A colour without light keeps its gain of 1.
    """
    sky = tuple(_sky(image[..., k], mask) if kind == "disc" else 0.0 for k in range(3))
    level = np.array([float(image[..., k][mask].mean(dtype=np.float64)) - sky[k] for k in range(3)])
    wanted, words = _wanted(settings, target)
    if settings.balance == "given":
        gains = np.array([settings.red_gain, 1.0, settings.blue_gain])
    elif wanted is None or not (level > 0).all():
        gains, words = np.ones(3), "none"
    else:
        gains = np.array(wanted) / level
    gains = gains * level.sum() / float(gains @ level) if float(gains @ level) > 0 else gains
    red, green, blue = (float(gain) for gain in gains)
    return Balance((red, green, blue), (sky[0], sky[1], sky[2]), words)


def _wanted(settings: ColourSettings, target: str | None) -> tuple[tuple[float, float, float] | None, str]:
    """Return the ratios that the target's mean shall have, and how that is said."""
    if settings.balance in ("none", "given"):
        return None, "red_gain and blue_gain as given"
    known = DISC_COLOURS.get((target or "").strip().casefold())
    if settings.balance == "auto" and known is not None:
        return (known[0], 1.0, known[1]), f"the known colour of {(target or '').strip()} in white sunlight"
    return (1.0, 1.0, 1.0), "the target's mean made neutral"


def _sky(plane: Real, mask: Mask) -> float:
    """Return the median well outside the target; 0 where it leaves no sky."""
    reach = max(3, int(0.1 * float(np.sqrt(mask.sum()))))
    grown = cv2.dilate(mask.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    return 0.0 if grown.all() else float(np.median(plane[~grown]))
