"""What optics, air and alignment left of detail, read from how softly the stack falls across a planet's limb."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.fitting import covariance, fit_between
from stacker.measuring.limb import LimbProfile, limb_profile

Real = NDArray[np.float32]
Curve = NDArray[np.float64]

_NYQUIST = 0.5
_FREQUENCY = np.linspace(0.0, _NYQUIST, 201)[1:]
_LEAST_RADIUS_PX = 8.0
_DEPTHS = (0.3, 0.15)
"""How far inside the limb, in radii, the profile is fitted: twice, since belts and spots differ with depth."""
_BELTS = 0.15
"""By how much, of its level, a target's own features may bend the profile at one radius from the limb."""
_UNEVEN = 0.2
"""Of every figure: belts, polar darkening and a phase of some degrees make simulated limbs read 10 to 30 % soft."""
_FLOOR = 0.003
_STEPS_PER_NOISE = 4.0
"""Quarter pixels share the noise of the pixels that they were read from."""
_LEAST_CONTRAST = 10.0
_ANGLES = (np.arange(18) + 0.5) * np.pi / 36
_START = np.array([1.0, 0.6, 1.0, 1.5, 0.3])
_LOW, _HIGH = np.array([0.2, 0.0, -20.0, 0.2, 0.0]), np.array([3.0, 2.0, 20.0, 20.0, 10.0])


@dataclass(frozen=True)
class LimbTransfer:
    """Softness of the limb. Lengths in pixels of the stack, frequencies in cycles per pixel; errors are one sigma."""

    edge_spread_px: float
    """From 10 to 90 % of the edge that this transfer would make of a step."""
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


@dataclass(frozen=True)
class _Edge:
    """A fitted limb: level, power of the darkening, place of the limb, sigma and wing of the blur."""

    values: Curve
    covariance: NDArray[np.float64]

    @property
    def blur(self) -> tuple[float, float]:
        return float(self.values[3]), float(self.values[4])


def measure_limb(image: Real, mask: NDArray[np.bool_]) -> LimbTransfer | None:
    """Return the transfer across the limb of a disc in a linear stack (H, W); None without a clean limb.

    A disc that falls as mu^power to its limb (Minnaert 1941, Astrophys. J. 93, 403), blurred with the transfer
    exp(-2 pi wing f - 2 (pi sigma f)^2), is fitted to the mean profile across the limb. Errors: of the fit, the
    difference that twice the depth makes, and 20 %. Limits: the mean over all directions; limbs behind a ring or
    unlit are left out.
    """
    profile = limb_profile(image, mask)
    if profile is None or profile.radius_px < _LEAST_RADIUS_PX:
        return None
    return transfer_of(profile)


def transfer_of(profile: LimbProfile) -> LimbTransfer | None:
    """Return the transfer that a limb profile shows; None where the profile is too noisy to have one."""
    if not float(np.median(profile.error)) * _LEAST_CONTRAST < 1.0:
        return None
    deep, near = (_fit(profile, depth) for depth in _DEPTHS)
    if deep is None or near is None:
        return None
    found = _figures(*near.blur)
    other = _figures(*deep.blur)
    errors = []
    for k, value in enumerate(found):
        slope = np.array([_figures(*_moved(near.blur, axis))[k] - value for axis in (0, 1)]) / 1e-3
        fitted = max(float(slope @ near.covariance[3:, 3:] @ slope), 0.0) ** 0.5
        errors.append(float(np.hypot(fitted, np.hypot(0.7 * (other[k] - value), _UNEVEN * value))))
    spread, half, tenth = found
    return LimbTransfer(
        spread,
        errors[0],
        half if half < _NYQUIST else None,
        errors[1] if half < _NYQUIST else None,
        tenth if tenth < _NYQUIST else None,
        errors[2] if tenth < _NYQUIST else None,
        _FREQUENCY,
        _blur_transfer(_FREQUENCY, *near.blur),
        float(near.values[1]),
    )


def _fit(profile: LimbProfile, depth: float) -> _Edge | None:
    """Fit the limb from `depth` radii inside to the end of the profile; None where no fit is found."""
    d, radius = profile.distance_px, profile.radius_px
    step = float(d[1] - d[0])
    used = d > -depth * radius
    sky = float(np.median(profile.brightness[d > 0.6 * float(d[-1])]))
    belts = _BELTS * np.maximum(-d / radius, 0.0)
    sigma = np.sqrt(_STEPS_PER_NOISE * profile.error**2 + _FLOOR**2 + belts**2)[used]

    frequency = np.asarray(np.fft.rfftfreq(6 * len(d), step), np.float64)
    read = _interpolation(frequency)

    def residual(values: Curve) -> Curve:
        return np.asarray(
            (_model(d, step, radius, values, frequency, read)[used] - profile.brightness[used] + sky) / sigma
        )

    found, cost = fit_between(residual, _START, _LOW, _HIGH)
    return _Edge(found, covariance(residual, found, _LOW, _HIGH)) if np.isfinite(cost) else None


def _model(d: Curve, step: float, radius: float, values: Curve, frequency: Curve, read: Curve) -> Curve:
    """Return a blurred disc along its radius, read off pixels with the transfer `read` at `frequency`."""
    level, power, beyond, sigma, wing = values
    mu = np.sqrt(np.clip(1.0 - ((radius + d) / (radius + beyond)) ** 2, 0.0, 1.0))
    # The share of each step that lies inside the limb keeps the model smooth in its place.
    inside = np.clip((beyond - d) / step + 0.5, 0.0, 1.0)
    sharp = level * inside * np.maximum(mu, np.sqrt(step / radius) / 4) ** power
    padded = np.pad(sharp, (len(d), len(d)), mode="edge")
    # Mirroring makes the ends meet.
    mirrored = np.concatenate([padded, padded[::-1]])
    passed = _blur_transfer(frequency, sigma, wing) * read
    return np.asarray(np.fft.irfft(np.fft.rfft(mirrored) * passed, len(mirrored))[len(d) : 2 * len(d)])


def _blur_transfer(frequency: Curve, sigma: float, wing: float) -> Curve:
    return np.asarray(np.exp(-2.0 * np.pi * wing * frequency - 2.0 * (np.pi * sigma * frequency) ** 2))


def _interpolation(frequency: Curve) -> Curve:
    """Return what linear interpolation between pixels takes, sinc^2 along both axes, mean over directions."""
    f = np.minimum(frequency, 1.0)[:, None]
    return np.asarray(((np.sinc(f * np.cos(_ANGLES)) * np.sinc(f * np.sin(_ANGLES))) ** 2).mean(1))


def _figures(sigma: float, wing: float) -> tuple[float, float, float]:
    """Return the 10-90 % spread of a step, and where the transfer falls to a half and to a tenth."""
    half, tenth = (_fallen(part, sigma, wing) for part in (0.5, 0.1))
    f = np.linspace(0.0, 3.0 * tenth, 400)[1:]
    x = np.linspace(0.0, 4.0 * sigma + 12.0 * wing + 1.0, 400)
    step = f[0]
    # The edge is 1/2 + integral of sin(2 pi f x) T / (pi f); the half step before the first frequency passes all.
    edge = 0.5 + step * (np.sin(2 * np.pi * f * x[:, None]) / (np.pi * f) @ _blur_transfer(f, sigma, wing) + x)
    return 2.0 * float(np.interp(0.9, np.maximum.accumulate(edge), x)), half, tenth


def _fallen(part: float, sigma: float, wing: float) -> float:
    """Return the frequency at which 2 pi wing f + 2 (pi sigma f)^2 = -ln(part)."""
    a, b = 2.0 * (np.pi * sigma) ** 2, 2.0 * np.pi * wing
    return float((np.sqrt(b * b - 4.0 * a * np.log(part)) - b) / (2.0 * a))


def _moved(blur: tuple[float, float], axis: int) -> tuple[float, float]:
    return (blur[0] + 1e-3, blur[1]) if axis == 0 else (blur[0], blur[1] + 1e-3)
