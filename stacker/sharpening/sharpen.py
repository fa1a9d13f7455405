"""Sharpening in order: what is signal, what the air took, gains that give it back, gate, limb, border."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.resolution import Rings, ring_means, ring_sums, shifted_spectrum, spectrum_shift
from stacker.measuring.spectra import AnalysisWindow, analysis_window, windowed_spectrum
from stacker.settings import SharpeningSettings
from stacker.sharpening.air import Air, Evidence, fit_air
from stacker.sharpening.gains import gains_for
from stacker.sharpening.gate import local_signal_share
from stacker.sharpening.limb_guard import guard_limb
from stacker.sharpening.record import Sharpened
from stacker.sharpening.starlet import starlet
from stacker.stacking.record import Stack

Real = NDArray[np.float32]
Curve = NDArray[np.float64]

_UNKNOWN_CUTOFF = 0.4
_LEAST_TRANSFER = 0.02


@dataclass(frozen=True)
class _Channel:
    """One colour of a stack."""

    image: Real
    half_a: Real
    half_b: Real
    coverage: Real
    cutoff: float


def sharpen(
    stack: Stack,
    settings: SharpeningSettings,
    cutoff_cyc_per_px: float | tuple[float, float, float] | None,
    obstruction_ratio: float = 0.0,
) -> Sharpened:
    """Undo the blur of the air in a stack, as far as its half-stacks agree.

    `cutoff_cyc_per_px` is the telescope's D/lambda, one number or one a colour; None where telescope or camera are
    unknown. The mean level and the scale of the stack are kept.
    """
    channels = _channels(stack, cutoff_cyc_per_px)
    try:
        window = analysis_window(stack.mask, stack.kind)
    except ValueError as error:
        gains = np.ones((len(channels), settings.planes))
        return Sharpened(stack.image.copy(), gains, None, None, f"not sharpened: {error}")
    rings = [_rings(channel, window) for channel in channels]
    leading = len(channels) // 2
    air = _air(stack, window, rings[leading], channels[leading].cutoff, obstruction_ratio)
    images, gains_of = [], []
    for channel, seen in zip(channels, rings, strict=True):
        gains = _gains(seen, None if air is None else air.at_cutoff(channel.cutoff), channel.cutoff, settings)
        images.append(_apply(channel, gains, stack, settings))
        gains_of.append(gains)
    image = images[0] if stack.image.ndim == 2 else np.stack(images, -1)
    note = "" if air is not None else "not sharpened: too little detail stands above the noise to measure the blur"
    return Sharpened(image, np.stack(gains_of), air and air.aperture_over_r0, air and air.jitter_px, note)


def _channels(stack: Stack, cutoff: float | tuple[float, float, float] | None) -> list[_Channel]:
    colours = 1 if stack.image.ndim == 2 else stack.image.shape[2]
    cutoffs = cutoff if isinstance(cutoff, tuple) else (cutoff or _UNKNOWN_CUTOFF,) * colours

    def plane(array: Real, colour: int) -> Real:
        return np.ascontiguousarray(array if array.ndim == 2 else array[..., colour], np.float32)

    return [
        _Channel(*(plane(a, k) for a in (stack.image, stack.half_a, stack.half_b, stack.coverage)), cutoffs[k])
        for k in range(colours)
    ]


def _rings(channel: _Channel, window: AnalysisWindow) -> Rings:
    a, b = windowed_spectrum(channel.half_a, window), windowed_spectrum(channel.half_b, window)
    b = shifted_spectrum(b, window, spectrum_shift(a, b, window))
    return ring_sums(a, b, window, channel.cutoff)


def _air(stack: Stack, window: AnalysisWindow, rings: Rings, cutoff: float, obstruction_ratio: float) -> Air | None:
    if stack.frame_power is None or stack.frame_power.shape != window.spectrum_shape:
        return None
    single = ring_means(stack.frame_power, window, cutoff)
    evidence = Evidence(rings.frequency_cyc_per_px, rings.count, rings.cross, rings.correlation, single, _kept_share(stack))
    return fit_air(evidence, cutoff, obstruction_ratio)


def _kept_share(stack: Stack) -> float:
    """Return the effective number of frames in the mean over the number that the capture has."""
    square = float((stack.weights**2).sum())
    return float(np.clip(stack.weights.sum() ** 2 / (square * len(stack.weights)), 0.02, 1.0)) if square > 0 else 1.0


def signal_share(rings: Rings, cutoff_cyc_per_px: float) -> Curve:
    """Return the share of the mean's power that is signal, 2c / (1 + c) of the ring correlation c, never rising.

    1 at the lowest frequencies, 0 beyond the cutoff.
    """
    c, n = np.clip(rings.correlation, 0.0, 1.0), np.maximum(rings.count, 1e-9)
    share = 2.0 * c / (1.0 + c)
    share[rings.frequency_cyc_per_px > cutoff_cyc_per_px] = 0.0
    weights = np.convolve(n, (1.0, 2.0, 1.0), "same")
    smooth = np.convolve(share * n, (1.0, 2.0, 1.0), "same") / weights
    smooth[:2] = 1.0
    return np.asarray(np.minimum.accumulate(smooth))


def _gains(rings: Rings, air: Air | None, cutoff: float, settings: SharpeningSettings) -> Curve:
    if air is None:
        return np.ones(settings.planes)
    f = rings.frequency_cyc_per_px
    share = signal_share(rings, cutoff)
    wanted = share / np.maximum(air.transfer(f), _LEAST_TRANSFER) ** settings.strength
    amplitude = np.sqrt(np.maximum(0.5 * (rings.power_a + rings.power_b), 0.0))
    used = f > 2 * (f[1] - f[0])
    return gains_for(f[used], wanted[used], amplitude[used], settings.planes)


def _apply(channel: _Channel, gains: Curve, stack: Stack, settings: SharpeningSettings) -> Real:
    """Return the channel with its planes amplified where they hold signal, limb and border guarded."""
    planes = starlet(channel.image, settings.planes)
    difference = starlet(0.5 * (channel.half_a - channel.half_b), settings.planes)
    result = planes[-1]
    for scale, gain in enumerate(gains):
        plane = planes[scale]
        if gain > 1.0:
            share = local_signal_share(plane, difference[scale], scale)
            plane = plane * (1.0 + (gain - 1.0) * share)
        else:
            plane = plane * np.float32(gain)
        result = result + plane
    if stack.kind == "disc":
        noise = float(np.abs(difference[0]).mean())
        result = guard_limb(result, channel.image, stack.mask, 1.2 / channel.cutoff, noise)
    result = channel.image + _border_fade(channel.coverage) * (result - channel.image)
    result += channel.image.mean(dtype=np.float64) - result.mean(dtype=np.float64)
    return np.asarray(result, np.float32)


def _border_fade(coverage: Real) -> Real:
    """Return 1 where most frames saw the pixel, falling smoothly to 0 where few did."""
    most = float(np.median(coverage[coverage > 0])) if (coverage > 0).any() else 1.0
    share = cv2.blur(np.minimum(coverage / np.float32(most), 1.0), (9, 9), borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(np.clip((share - 0.25) / 0.5, 0.0, 1.0), np.float32)
