"""What optics, air and alignment left of detail, read from how softly the stack falls across a planet's limb."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.limb import LimbProfile, limb_profile

Real = NDArray[np.float32]
Curve = NDArray[np.float64]

_FREQUENCIES = 200
_NYQUIST = 0.5
_INSIDE = (0.75, 0.2)
"""Part of the disc, in radii from the limb, whose darkening tells how the limb would look unblurred."""
_DARKENING = np.linspace(0.0, 1.6, 33)
_RESAMPLES = 12
_ROUNDS = 6
_PHASE_BELOW = 0.06
_LEAST_CONTRAST = 5.0
"""Of the limb against the profile's error."""


@dataclass(frozen=True)
class LimbTransfer:
    """Softness of the limb. Lengths in pixels of the stack, frequencies in cycles per pixel; errors are one sigma."""

    edge_spread_px: float
    """From 10 to 90 % of the edge (ISO 12233 calls it the edge's rise), darkening of the limb taken out."""
    edge_spread_px_error: float
    mtf50_cyc_per_px: float | None
    """Where the transfer falls to one half; None where that is beyond the pixels."""
    mtf50_cyc_per_px_error: float | None
    mtf10_cyc_per_px: float | None
    mtf10_cyc_per_px_error: float | None
    frequency_cyc_per_px: Curve
    transfer: Curve
    darkening: float
    """The unblurred limb falls as the cosine of the angle to this power: 2 k - 1 for Minnaert's k at full phase."""


def measure_limb(image: Real, mask: NDArray[np.bool_]) -> LimbTransfer | None:
    """Return the transfer across the limb of a disc in a linear stack (H, W); None without a clean limb.

    The slope of the mean profile across the limb is the line spread (ISO 12233); the transform of it, over that of a
    sharp limb of the same darkening (Minnaert 1941, Astrophys. J. 93, 403), is the transfer. Errors come from the
    profile's own standard error. Limits: reads the mean over all directions; the limb must be lit and not in a ring.
    """
    profile = limb_profile(image, mask)
    if profile is None or profile.radius_px < 8:
        return None
    return transfer_of(profile)


def transfer_of(profile: LimbProfile) -> LimbTransfer | None:
    """Return the transfer that a limb profile shows; None where the profile is too noisy to have one."""
    found = _read(profile, profile.brightness)
    if found is None or not float(np.median(profile.error)) * _LEAST_CONTRAST < 0.5:
        return None
    frequency, transfer, spread, darkening = found
    crossings = [_crossing(frequency, transfer, part) for part in (0.5, 0.1)]
    rng = np.random.default_rng(0)
    again: list[tuple[float, ...]] = []
    for _ in range(_RESAMPLES):
        noisy = _read(profile, profile.brightness + _correlated(rng, profile))
        if noisy is not None:
            values = [_crossing(noisy[0], noisy[1], part) or np.nan for part in (0.5, 0.1)]
            again.append((noisy[2], *values))
    errors = np.nanstd(again, axis=0) if len(again) > 3 else np.full(3, np.nan)
    # The sampling of the frequencies and of the darkening is a floor.
    floors = 0.02 * spread, *(0.02 * (value or 0.0) for value in crossings)
    widened = np.hypot(np.nan_to_num(errors), floors)
    return LimbTransfer(
        spread,
        float(widened[0]),
        crossings[0],
        None if crossings[0] is None else float(widened[1]),
        crossings[1],
        None if crossings[1] is None else float(widened[2]),
        frequency,
        transfer,
        darkening,
    )


def _correlated(rng: np.random.Generator, profile: LimbProfile) -> Curve:
    """Return a draw of the profile's error, which neighbouring quarter pixels share."""
    white = rng.standard_normal(len(profile.error) + 4)
    return np.asarray(np.convolve(white, np.full(5, 5**-0.5), "valid") * profile.error)


def _read(profile: LimbProfile, brightness: Curve) -> tuple[Curve, Curve, float, float] | None:
    """Return frequency, transfer, 10-90 % edge spread and darkening of a run of brightness across the limb."""
    d, radius = profile.distance_px, profile.radius_px
    step = float(d[1] - d[0])
    inside = (d > -_INSIDE[0] * radius) & (d < -_INSIDE[1] * radius)
    outside = d > 0.5 * float(d[-1])
    if inside.sum() < 8 or outside.sum() < 8:
        return None
    lit = brightness - float(np.median(brightness[outside]))
    frequency = np.linspace(0.0, _NYQUIST, _FREQUENCIES + 1)[1:]
    window = np.hanning(2 * len(d))[len(d) // 2 : len(d) // 2 + len(d)]
    real = _transform(-np.gradient(lit, step) * window, d, frequency, step)
    beyond = 0.0
    for _ in range(_ROUNDS):
        power, level = _darkening(d[inside], lit[inside], radius, beyond)
        sharp = level * _sharp(d, radius, power, beyond)
        # Both fall from the same inside to the same sky, so their slopes' transforms are of the same kind.
        ideal = _transform(-np.gradient(sharp, step) * window, d, frequency, step)
        beyond += _offset(frequency, real / ideal)
        if not abs(beyond) < 0.2 * radius:
            return None
    transfer = np.abs(real) / np.maximum(np.abs(ideal), 1e-6) / _interpolation(frequency)
    return frequency, np.asarray(transfer), _spread(frequency, transfer), power


def _interpolation(frequency: Curve) -> Curve:
    """Return what the profile's linear interpolation between pixels took, sinc^2 along both axes, over directions."""
    f, angle = frequency[:, None], (np.arange(18) + 0.5) * np.pi / 36
    return np.asarray(np.maximum((np.sinc(f * np.cos(angle)) * np.sinc(f * np.sin(angle))) ** 2, 0.05).mean(1))


def _spread(frequency: Curve, transfer: Curve) -> float:
    """Return the 10-90 % width of the edge whose spread has this transfer: 1/2 + integral of sin(2 pi f x) T / (pi f).

    What comes after the transfer has first fallen to a twentieth is noise and counts nothing.
    """
    low = np.flatnonzero(transfer < 0.05)
    last = low[0] if len(low) else len(frequency)
    f, t = frequency[:last], np.minimum(transfer[:last], 1.0)
    x = np.arange(0.0, 60.0, 0.02)
    step = float(frequency[0])
    # The half step before the first frequency passes all.
    edge = 0.5 + step * (np.sin(2 * np.pi * f * x[:, None]) / (np.pi * f) @ t + x)
    above = np.flatnonzero(edge >= 0.9)
    return 2.0 * float(x[above[0]]) if len(above) else float("nan")


def _offset(frequency: Curve, ratio: NDArray[np.complex128]) -> float:
    """Return how far beyond the model's limb the real one lies: a shift turns the phase in proportion to frequency."""
    low = frequency < _PHASE_BELOW
    turned = np.unwrap(np.angle(ratio[low]))
    return float(-(frequency[low] @ turned) / (2 * np.pi * frequency[low] @ frequency[low]))


def _darkening(d: Curve, lit: Curve, radius: float, beyond: float) -> tuple[float, float]:
    """Return the exponent and level of a darkened disc that fits the inside best."""
    best = (np.inf, 0.0, 1.0)
    for power in _DARKENING:
        shape = _sharp(d, radius, float(power), beyond)
        level = float(shape @ lit / (shape @ shape))
        misfit = float(((lit - level * shape) ** 2).sum())
        best = min(best, (misfit, float(power), level))
    return best[1], best[2]


def _sharp(d: Curve, radius: float, power: float, beyond: float) -> Curve:
    """Return an unblurred disc, mu^power, along its radius; its limb lies `beyond` px outside of d = 0."""
    mu = np.sqrt(np.clip(1.0 - ((radius + d) / (radius + beyond)) ** 2, 0.0, 1.0))
    return np.asarray(np.where(d < beyond, np.maximum(mu, 1e-9) ** power, 0.0))


def _transform(slope: Curve, d: Curve, frequency: Curve, step: float) -> NDArray[np.complex128]:
    return np.asarray(np.exp(-2j * np.pi * frequency[:, None] * d) @ slope * step)


def _crossing(frequency: Curve, transfer: Curve, part: float) -> float | None:
    below = np.flatnonzero(transfer < part)
    if not len(below) or below[0] == 0:
        return None
    k = int(below[0])
    share = (transfer[k - 1] - part) / (transfer[k - 1] - transfer[k])
    return float(frequency[k - 1] + share * (frequency[k] - frequency[k - 1]))
