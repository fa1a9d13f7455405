"""A camera's gain and read noise: photons scatter by the root of their number, so variance over level tells the gain.

variance = read^2 + (level - offset) / gain in the camera's numbers (Janesick 2007, Photon Transfer, chapter 5; equation
from memory), plus 1/12 of a step squared for the rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np

from stacker.calibration.masters import Master
from stacker.calibration.noise_samples import Column, NoiseSamples, median_over_mean, samples_in_space, samples_in_time
from stacker.capture import Capture, CaptureError

_BINS = 24
_STILL = 1.8
"""A scene stands still where 95 of 100 blocks scatter less than so many times the finest differences in space."""
_LEAST_STEPS = 0.4
"""Read noise below this part of a step of the converter is hidden by it."""
_LEAST_VARIANCE = 0.3
_PAIRS_IN_PASSING = 3
_FEWEST = 12


@dataclass(frozen=True)
class CameraNoise:
    """What the photon transfer of one camera setting tells, each with its standard error; nan where not known."""

    gain_e_per_adu: float
    gain_error: float
    read_noise_e: float
    read_noise_error: float
    offset_adu: float
    full_well_e: float
    """Electrons at full scale; of the converter, not of the pixel, where it saturates first."""
    source: str
    """What was compared: frames in time (a still scene), frames in space (any target), flats (masters)."""

    @property
    def sentence(self) -> str:
        """What it says, for people."""
        read = f", read noise {self.read_noise_e:.2g} electrons" if isfinite(self.read_noise_e) else ""
        gain = f"{self.gain_e_per_adu:.3g} +- {self.gain_error:.1g} electrons per ADU"
        return f"the camera's gain is {gain}{read}, by its photon transfer"


def measure_camera(captures: list[Capture], bias: Capture | None = None) -> CameraNoise:
    """Return gain and read noise from flats (or any captures of one camera at one gain) and, where given, biases.

    Frames of still scenes are compared in time; of a moving target each with itself, which serves less well. Without
    biases the gain comes from the slope alone and the read noise is not known.

    Raises CaptureError where the frames span no range of brightness, or only one frame of a still scene is there.
    """
    samples = NoiseSamples(*(np.zeros(0) for _ in range(3)))
    sources = set()
    for capture in captures:
        source, found = _samples(capture)
        sources.add(source)
        samples = samples.joined(found)
    dark = None if bias is None else samples_in_time(bias)
    step = _step(captures[0])
    return _fit(samples, dark, step, captures[0].full_scale, " and ".join(sorted(sources)), captures[0])


def noise_of_capture(capture: Capture) -> CameraNoise | None:
    """Return the gain by a few of a capture's own frames; None where they do not tell it within a tenth.

    Frames in full colour and those that a codec delivers are not asked: their noise has been smoothed.
    """
    if len(capture.shape) == 3 or capture.is_sequential or len(capture) < 2:
        return None
    try:
        samples = samples_in_space(capture, _PAIRS_IN_PASSING)
        found = _fit(samples, None, _step(capture), capture.full_scale, "frames in space", capture)
    except CaptureError:
        return None
    return found if found.gain_error < 0.1 * found.gain_e_per_adu else None


def _samples(capture: Capture) -> tuple[str, NoiseSamples]:
    """Return samples in time where the scene stands still, else in space."""
    space = samples_in_space(capture)
    time = samples_in_time(capture) if len(capture) > 1 else space
    if len(time.level) and len(space.level) and _stands_still(time, space):
        return "frames in time", time
    return "frames in space", space


def _stands_still(time: NoiseSamples, space: NoiseSamples) -> bool:
    """Whether hardly any block scatters more in time than its finest differences in space explain."""
    level, variance, _ = _binned(space)
    ratio = time.variance / np.maximum(np.interp(time.level, level, variance), 1e-12)
    return bool(np.percentile(ratio, 95) < _STILL)


def _fit(
    samples: NoiseSamples, dark: NoiseSamples | None, step: float, full_scale: float, source: str, capture: Capture
) -> CameraNoise:
    if len(samples.level) < _FEWEST:
        raise CaptureError(capture.path, "holds too little to measure noise by", "give flats of 64x64 px or more")
    level, variance, error = _binned(samples)
    # Where the noise is smaller than the converter's step, its rounding adds more or less than 1/12.
    level, variance, error = (column[variance > _LEAST_VARIANCE * step**2] for column in (level, variance, error))
    offset = read = read_error = nan
    if dark is not None and len(dark.level):
        offset, dark_variance = float(np.median(dark.level)), float(np.average(dark.variance))
        if samples.level.max() <= offset:
            raise CaptureError(capture.path, "is darker than the biases", "name frames with the cap on as --bias")
        dark_error = float(np.std(dark.variance) / sqrt(len(dark.variance)))
        read, read_error = _read_noise(dark_variance, dark_error, step)
        if not isfinite(read):
            # Anything from 0 to the least that shows, with the rounding of a brighter level.
            dark_variance, dark_error = (1 / 12 + _LEAST_STEPS**2 / 2) * step**2, _LEAST_STEPS**2 / 3.5 * step**2
        slope, slope_error = _through(level - offset, variance - dark_variance, np.hypot(error, dark_error))
    else:
        slope, slope_error = _line(level, variance, error)
    if not slope > 3 * slope_error:
        advice = "give flats that are darker in places, or of several exposures"
        advice += ", or name a bias" if dark is None else ""
        raise CaptureError(capture.path, "its noise does not grow with its brightness", advice)
    gain, relative = 1 / slope, slope_error / slope
    return CameraNoise(
        gain,
        gain * relative,
        gain * read,
        gain * sqrt(read_error**2 + (read * relative) ** 2),
        offset,
        gain * (full_scale - (offset if isfinite(offset) else 0.0)),
        source,
    )


def _read_noise(variance: float, error: float, step: float) -> tuple[float, float]:
    """Return the reader's noise in numbers behind the converter's rounding, and its error; nan where it is hidden."""
    noise = variance - step**2 / 12
    if noise < (_LEAST_STEPS * step) ** 2:
        return nan, nan
    return sqrt(noise), error / (2 * sqrt(noise))


def _binned(samples: NoiseSamples) -> tuple[Column, Column, Column]:
    """Return level, variance and its error in bins of equal numbers of blocks; medians, which detail moves least."""
    order = np.argsort(samples.level, kind="stable")
    parts = [part for part in np.array_split(order, min(_BINS, max(len(order) // 8, 2))) if len(part)]
    freedom = float(samples.weight.mean())
    # Blocks of one bin differ in level: their variance is brought to the bin's middle by the ratio of the two.
    level = np.array([np.median(samples.level[part]) for part in parts])
    variance = np.array([np.median(samples.variance[part]) for part in parts]) / median_over_mean(freedom)
    counted = np.array([len(part) for part in parts]) * freedom
    return level, variance, 1.25 * variance * np.sqrt(2 / counted)


def _line(x: Column, y: Column, error: Column) -> tuple[float, float]:
    """Return slope and its error, which grows where the points scatter more than they should."""
    if len(x) < 3:
        return 0.0, 1.0
    design = np.stack([x, np.ones_like(x)]) / error
    covariance = np.linalg.pinv(design @ design.T)
    slope, start = covariance @ (design @ (y / error))
    return float(slope), _excess(y - slope * x - start, error, 2) * sqrt(covariance[0, 0])


def _through(x: Column, y: Column, error: Column) -> tuple[float, float]:
    """Return the slope of the line through the origin, and its error."""
    weight = float(np.sum((x / error) ** 2))
    slope = float(np.sum(x * y / error**2)) / max(weight, 1e-30)
    return slope, _excess(y - slope * x, error, 1) / sqrt(max(weight, 1e-30))


def _excess(rest: Column, error: Column, parameters: int) -> float:
    freedom = max(len(rest) - parameters, 1)
    return max(1.0, sqrt(float(np.sum((rest / error) ** 2)) / freedom))


def _step(capture: Capture) -> float:
    """Return the step between two numbers of the converter: 16 where 12 bits lie high in 16."""
    if not isfinite(capture.full_scale) or capture.bits >= 16:
        return 1.0
    return max(round((capture.full_scale + 1) / (1 << capture.bits)), 1)


def noise_of_masters(flat: Master, dark: Master) -> CameraNoise | None:
    """Return gain and read noise from a master flat and the dark or bias that belongs to it; None where they are mute.

    The variance of a flat's frames beyond the dark's, over the light that both do not share.
    """
    if flat.frame_variance is None or dark.frame_variance is None:
        return None
    light, variance = flat.mean - dark.mean, flat.frame_variance - dark.frame_variance
    use = (flat.mean < 0.9 * flat.full_scale) & (light > 0.2 * np.median(light))
    frames = min(flat.frames, dark.frames)
    if int(use.sum()) < 1000 or not float(variance[use].sum()) > 0:
        return None
    # Sums, not a mean of ratios: the noise of single variances must not bias the gain.
    gain = float(light[use].sum(dtype=np.float64) / variance[use].sum(dtype=np.float64))
    relative = sqrt(2 / (int(use.sum()) * max(frames - 1, 1))) + 0.002
    sound = dark.frame_variance[use]
    usual = sound[sound < 6 * np.median(sound)]
    read_adu, _ = _read_noise(float(usual.mean()), 0.0, 1.0)
    read = gain * read_adu
    full_well = gain * (flat.full_scale - float(np.median(dark.mean)))
    return CameraNoise(
        gain, gain * relative, read, read * 2 * relative, float(np.median(dark.mean)), full_well, "flats"
    )
