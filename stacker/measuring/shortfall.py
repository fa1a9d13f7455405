"""How much of an ideal capture's information is missing, and how it divides among the causes.

The ideal capture shows the same target through the same telescope in still air and perfect focus, with pixels that
carry the whole optical band, `IDEAL_FRAMES` frames of signal to noise `IDEAL_SNR` each, and nothing that moves. In a
ring of spatial frequency it has a signal over noise power S. Each cause i takes a depth d_i >= 0 from ln S, so that the
capture is left with S exp(-sum d_i): transfers T_i multiply, d_i = -2 ln T_i, and noise powers add up over fewer and
poorer frames. Information is the sum over modes of log2(1 + S) / 2 (Shannon 1949, Proc. IRE 37, 10; Fellgett & Linfoot
1955, Phil. Trans. R. Soc. A 247, 369), so depth where nothing was to be had, or where plenty is left, costs little.

What is missing in a ring belongs to the causes in proportion to their depths there. That is the value of Aumann &
Shapley (1974, Values of Non-Atomic Games): each cause is charged while all grow together from none to what they are,
and the order of the causes plays no part. Clipped parts of the target hold nothing whatever the other causes do; their
charge is the mean over both orders (Shapley 1953).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]

RINGS = 40
IDEAL_FRAMES = 500.0
"""Usable ones: a few seconds of a planetary camera."""
IDEAL_SNR = 40.0
"""Level over noise of a frame in a pixel of half lambda/D, some 1600 electrons: what small sensors hold with ease."""
USUAL_SLOPE, USUAL_SLOPE_SPREAD = 3.0, 0.7
"""The power of planets' and craters' detail falls as frequency to the minus this (from the simulated scenes)."""
_SCATTER = 0.5
"""By how much, in ln S, rings stray from a power law."""
_FEWEST_RINGS = 3


@dataclass(frozen=True)
class Seen:
    """Signal over noise power of the stack as measured, ring by ring."""

    frequency: Curve
    """(K,) in units of the optical cutoff."""
    signal_to_noise: Curve
    """(K,)"""
    modes: Curve
    """(K,)"""


def ring_frequency() -> Curve:
    """Return the rings' middle frequencies, in units of the optical cutoff."""
    return (np.arange(RINGS) + 0.5) / RINGS


def ideal_signal(seen: Seen, depth: Curve, telescope: Curve) -> tuple[tuple[float, float], NDArray[np.float64]]:
    """Return (ln S at the geometric middle of what was seen, slope) of the target's detail, and their covariance.

    S exp(-depth) is what was seen, and S = detail times `telescope` squared (transfer, on `ring_frequency`). The slope
    leans on what is usual where few rings were seen.
    """
    x = ring_frequency()
    place = np.log(seen.frequency)
    passed = np.interp(seen.frequency, x, 2.0 * np.log(np.maximum(telescope, 1e-6)) - depth)
    detail = np.log(np.maximum(seen.signal_to_noise, 1e-6)) - passed
    c = seen.signal_to_noise / (2.0 + seen.signal_to_noise)
    # The scatter of ln(c / (1 - c)) of a ring of n modes.
    variance = _SCATTER**2 + (1.0 + c) ** 2 / np.maximum(c, 0.02) ** 2 / np.maximum(seen.modes, 1.0)
    basis = np.stack([np.ones_like(place), -(place - place.mean())], 1)
    information = (basis / variance[:, None]).T @ basis
    right = (basis / variance[:, None]).T @ detail
    information[1, 1] += 1.0 / USUAL_SLOPE_SPREAD**2
    right[1] += USUAL_SLOPE / USUAL_SLOPE_SPREAD**2
    level, slope = np.linalg.solve(information, right)
    return (float(level), float(slope)), np.asarray(np.linalg.inv(information))


def ideal_curve(seen: Seen, level: float, slope: float, telescope: Curve) -> Curve:
    """Return S of the ideal capture on `ring_frequency`."""
    away = np.log(ring_frequency()) - float(np.log(seen.frequency).mean())
    return np.asarray(np.exp(np.clip(level - slope * away, -30.0, 30.0)) * telescope**2)


def beyond_nyquist(ideal: Curve, others: Curve, px_per_element: float, frames: float) -> Curve:
    """Return the depth that too coarse pixels cost, beside what their averaging costs.

    Beyond half a cycle per pixel all that the other causes left is lost. Below, what is folded back from there is
    noise that differs from frame to frame as the target moves, so it averages out over `frames`.
    """
    x = ring_frequency()
    left = ideal * np.exp(-others)
    folded = np.where(px_per_element - x < 1.0, np.interp(px_per_element - x, x, left, right=0.0), 0.0) / frames
    return np.asarray(np.where(x > 0.5 * px_per_element, np.log1p(left / 0.05), np.log1p(folded)))


def divide(ideal: Curve, depths: Mapping[str, Curve], clipped: float) -> tuple[dict[str, float], float]:
    """Return what share of the missing information each cause took, and the share of the ideal's that is missing.

    `depths` (R,) are on `ring_frequency`; a `clipping` cause of `clipped`, the clipped share of the target, is added.
    """
    modes = ring_frequency()
    total = np.sum(list(depths.values()), axis=0)
    whole = modes * np.log2(1.0 + ideal)
    left = modes * np.log2(1.0 + ideal * np.exp(-total))
    missing = whole - left
    part = {name: depth / np.maximum(total, 1e-12) for name, depth in depths.items()}
    bits = {name: (1.0 - 0.5 * clipped) * float((missing * share).sum()) for name, share in part.items()}
    bits["clipping"] = clipped * 0.5 * float((whole + left).sum())
    everything = sum(bits.values())
    shares = {name: value / everything if everything > 0 else 0.0 for name, value in bits.items()}
    return shares, everything / max(float(whole.sum()), 1e-12)


def seen_rings(frequency: Curve, correlation: Curve, modes: Curve, resolved: float | None) -> Seen | None:
    """Return the rings that show the target, `frequency` in units of the cutoff, up to `resolved`.

    Where nothing is resolved the lowest rings stand in with what could just be seen, c = 2 / sqrt(n). None without
    rings.
    """
    usable = np.flatnonzero((modes >= 3) & (frequency < 1.0))
    if len(usable) < _FEWEST_RINGS:
        return None
    # Shading takes the lowest ring with it.
    usable = usable[1:] if len(usable) > _FEWEST_RINGS else usable
    inside = usable[frequency[usable] <= (resolved or 0.0)]
    chosen = inside if len(inside) >= _FEWEST_RINGS else usable[:_FEWEST_RINGS]
    c = np.clip(np.maximum(correlation[chosen], 2.0 / np.sqrt(modes[chosen])), 0.0, 0.9999)
    c = np.minimum(c, 0.9999)
    return Seen(frequency[chosen], 2.0 * c / (1.0 - c), modes[chosen])
