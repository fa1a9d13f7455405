"""Signal and noise of a stack from its two halves, which need not be alike.

One half may hold the best moments of a capture: its image then shows more than the other's, the stack lies nearer to
it, and what both share is less than what the stack shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.resolution import Rings

Curve = NDArray[np.float64]
_SURE = 0.7
"""Where the halves correlate less, their powers say more of their noise than of what they show."""
_SCATTER = 0.1


@dataclass(frozen=True)
class Whole:
    """Power of a stack by rings."""

    signal: Curve
    noise: Curve

    @property
    def signal_share(self) -> Curve:
        """Return signal over all power, 0 to 1: the Wiener filter."""
        signal, noise = np.maximum(self.signal, 0.0), np.maximum(self.noise, 0.0)
        total = signal + noise
        return np.asarray(np.divide(signal, total, out=np.zeros_like(total), where=total > 0))


def whole_of(rings: Rings, share_a: float) -> Whole:
    """Return what a stack shows of which `share_a` of the weight lies in half a.

    With A and B what the halves show, A B is their cross power, and A / B follows from their powers where noise is
    small; of frames in unlike air it grows about exponentially with frequency. The stack shows s A + (1 - s) B. Noise
    is what the powers' product holds beyond the cross power, divided as in the outermost rings. Halves alike and of
    equal weight: signal A B, signal share 2c / (1 + c) of the correlation c (van Heel & Schatz 2005, J. Struct. Biol.
    151, 250).
    """
    share_b, ratio = 1.0 - share_a, _ratio(rings)
    cross = np.maximum(rings.cross, 0.0)
    signal = share_a**2 * rings.cross * ratio + share_b**2 * rings.cross / ratio + 2.0 * share_a * share_b * rings.cross
    noisier = _noise_ratio(rings)
    linear = cross * (ratio + noisier / ratio)
    excess = np.maximum(rings.power_a * rings.power_b - cross**2, 0.0)
    noise_b = 2.0 * excess / np.maximum(linear + np.sqrt(linear**2 + 4.0 * noisier * excess), 1e-300)
    return Whole(signal, (share_a**2 * noisier + share_b**2) * noise_b)


def _ratio(rings: Rings) -> Curve:
    """Return A / B, amplitude."""
    f, c = rings.frequency_cyc_per_px, np.clip(rings.correlation, 0.0, 1.0 - 1e-6)
    sure = c > _SURE
    weight = sure / (2.0 * (1.0 - c**2) / np.maximum(rings.count, 1.0) + _SCATTER**2)
    log = np.log(np.divide(rings.power_a, rings.power_b, out=np.ones_like(c), where=sure))
    slope = float((weight * log * f).sum() / max(float((weight * f * f).sum()), 1e-30))
    reach = float(f[sure].max(initial=0.0))
    return np.asarray(np.exp(0.5 * slope * np.minimum(f, 1.2 * reach)))


def _noise_ratio(rings: Rings) -> float:
    """Return the noise power of half a over that of half b, from the outermost sixth of the rings."""
    outermost = slice(-max(3, len(rings.count) // 6), None)
    a, b = (float(power[outermost].mean()) for power in (rings.power_a, rings.power_b))
    return a / b if a > 0 and b > 0 else 1.0
