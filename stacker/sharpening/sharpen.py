"""Sharpening in order: what is signal, what the air took, the gain that gives it back, gate, limb, border."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.measuring.resolution import Resolution, Rings, measure_resolution, ring_means
from stacker.measuring.spectra import AnalysisWindow, analysis_window
from stacker.settings import SharpeningSettings
from stacker.sharpening.air import Air, Evidence, fit_air
from stacker.sharpening.both_halves import whole_of
from stacker.sharpening.filtering import filtered
from stacker.sharpening.gate import local_gate
from stacker.sharpening.limb_guard import guard_limb
from stacker.sharpening.record import Sharpened
from stacker.sharpening.single_noise import softening
from stacker.sharpening.starlet import starlet
from stacker.sharpening.unlike_frames import Frames
from stacker.stacking.record import Stack

Real = NDArray[np.float32]
Curve = NDArray[np.float64]

_UNKNOWN_CUTOFF = 0.4
_NYQUIST = 0.5
_LEAST_TRANSFER = 0.02
_NOTHING = "not sharpened: "
_MILD_FRIED = 2.5
_ASSUMED = "sharpened for mild air, since the power of the single frames was not kept"


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
    unknown. The mean level and the scale of the stack are kept. Nothing is sharpened, and `note` says so, where no
    detail stands above the noise.
    """
    channels = _channels(stack, cutoff_cyc_per_px)
    try:
        window = analysis_window(stack.mask, stack.kind)
    except ValueError as error:
        return _unsharpened(stack, len(channels), settings, str(error))
    seen = [measure_resolution(one.half_a, one.half_b, window, one.cutoff) for one in channels]
    leading = len(channels) // 2
    if seen[leading].half_bit_px is None:
        return _unsharpened(stack, len(channels), settings, seen[leading].note)
    air = _air(stack, window, seen[leading].rings, channels[leading].cutoff, obstruction_ratio)
    if air is None:
        return _unsharpened(stack, len(channels), settings, "too little detail to measure the blur")
    measured = stack.frame_power is not None and stack.frame_power.shape == window.spectrum_shape
    images, gains = zip(
        *(_sharpened(one, shown, air, stack, settings) for one, shown in zip(channels, seen, strict=True)), strict=True
    )
    image = images[0] if stack.image.ndim == 2 else np.stack(images, -1)
    return Sharpened(image, np.stack(gains), air.aperture_over_r0, "" if measured else _ASSUMED)


def _unsharpened(stack: Stack, colours: int, settings: SharpeningSettings, why: str) -> Sharpened:
    return Sharpened(stack.image.copy(), np.ones((colours, settings.planes)), None, _NOTHING + why)


def _channels(stack: Stack, cutoff: float | tuple[float, float, float] | None) -> list[_Channel]:
    colours = 1 if stack.image.ndim == 2 else stack.image.shape[2]
    cutoffs = cutoff if isinstance(cutoff, tuple) else (cutoff or _UNKNOWN_CUTOFF,) * colours

    def plane(array: Real, colour: int) -> Real:
        return np.ascontiguousarray(array if array.ndim == 2 else array[..., colour], np.float32)

    return [
        _Channel(
            plane(stack.image, k),
            plane(stack.half_a, k),
            plane(stack.half_b, k),
            plane(stack.coverage, k),
            cutoffs[k],
        )
        for k in range(colours)
    ]


def _air(stack: Stack, window: AnalysisWindow, rings: Rings, cutoff: float, obstruction_ratio: float) -> Air | None:
    """Return the air as the single frames tell it; a mild one without their power; None where unmeasurable."""
    if stack.frame_power is None or stack.frame_power.shape != window.spectrum_shape:
        return Air(_MILD_FRIED, cutoff)
    single = ring_means(stack.frame_power, window, cutoff)
    # The noise of single frames has the shape that interpolation gave it on the camera's pixels.
    f = rings.frequency_cyc_per_px * stack.zoom
    known = f <= _NYQUIST
    shown = whole_of(rings, stack.share_a).signal
    f, count, cross, correlation, single = (part[known] for part in (f, rings.count, shown, rings.correlation, single))
    evidence = Evidence(f, count, cross, correlation, single, Frames.weighed(stack.weights), stack.zoom, stack.kernel)
    air = fit_air(evidence, cutoff * stack.zoom, obstruction_ratio)
    return None if air is None else replace(air, cutoff_cyc_per_px=cutoff)


def signal_share(rings: Rings, share_a: float, cutoff_cyc_per_px: float) -> Curve:
    """Return the share of the stack's power that is signal, smoothed and never rising.

    1 at the lowest frequencies, 0 beyond the cutoff.
    """
    share, n = whole_of(rings, share_a).signal_share, np.maximum(rings.count, 1e-9)
    share[rings.frequency_cyc_per_px > cutoff_cyc_per_px] = 0.0
    smooth = np.convolve(share * n, (1.0, 2.0, 1.0), "same") / np.convolve(n, (1.0, 2.0, 1.0), "same")
    smooth[:2] = 1.0
    return np.asarray(np.minimum.accumulate(smooth))


def _sharpened(
    channel: _Channel, seen: Resolution, air: Air, stack: Stack, settings: SharpeningSettings
) -> tuple[Real, Curve]:
    """Return the sharpened channel and the mean gain of each of its starlet planes on the target."""
    f = seen.rings.frequency_cyc_per_px
    taken = air.at_cutoff(channel.cutoff).transfer(f) * softening(f * stack.zoom, stack.kernel)
    taken = np.maximum(taken, _LEAST_TRANSFER)
    gain = signal_share(seen.rings, stack.share_a, channel.cutoff) / taken**settings.strength
    wanted = filtered(channel.image, f, gain)
    result, gains = _gated(channel, wanted, stack.mask, settings.planes)
    if stack.kind == "disc":
        reach = max(1.2 / channel.cutoff, 0.6 * (seen.half_bit_px or 0.0))
        result = guard_limb(result, channel.image, stack.mask, reach)
    result = channel.image + _border_fade(channel.coverage) * (result - channel.image)
    result += channel.image.mean(dtype=np.float64) - result.mean(dtype=np.float64)
    return np.asarray(result, np.float32), gains


def _gated(channel: _Channel, wanted: Real, mask: NDArray[np.bool_], count: int) -> tuple[Real, Curve]:
    """Return the image with each plane's change let through where the plane holds signal, and the planes' gains."""
    planes, goal = starlet(channel.image, count), starlet(wanted, count)
    noise = starlet(np.asarray(0.5 * (channel.half_a - channel.half_b), np.float32), count)
    result, gains = goal[-1], np.ones(count)
    for scale in range(count):
        plane = planes[scale]
        on_target = plane[mask].astype(np.float64)
        gains[scale] = float(goal[scale][mask] @ on_target) / max(float(on_target @ on_target), 1e-30)
        change = goal[scale] - plane
        if gains[scale] > 1.0:
            change *= local_gate(plane, noise[scale], scale, mask)
        result = result + plane + change
    return result, gains


def _border_fade(coverage: Real) -> Real:
    """Return 1 where most frames saw the pixel, falling smoothly to 0 where few did."""
    most = float(np.median(coverage[coverage > 0])) if (coverage > 0).any() else 1.0
    share = cv2.blur(np.minimum(coverage / np.float32(most), 1.0), (9, 9), borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(np.clip((share - 0.25) / 0.5, 0.0, 1.0), np.float32)
