"""How much light a frame holds against its noise, from the frames' own statistics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.capture.sequence import Capture
from stacker.measuring.noise import sky_of
from stacker.ranking.noise import NoiseModel, fit_noise, sample_noise
from stacker.ranking.plane import raw_plane
from stacker.ranking.record import Ranking

_FRAMES = 12
_GROUPS = 3
_BRIGHT_PERCENT = 98.0
_MANY_PX = 20_000


@dataclass(frozen=True)
class Light:
    """Levels and noise of a usual frame, raw pixels, green where there are colours; errors are one sigma."""

    level_adu: float
    """Median of the target, above the sky of a disc; a surface shows no sky, so an offset of the camera counts."""
    peak_share: float | None
    """Bright parts of the target (98th percentile) over the level where the converter saturates; None for floats."""
    noise_adu: float
    """Of one pixel at that level."""
    snr_frame: float
    snr_frame_error: float
    read_noise_adu: float | None
    """Noise where there is no light; None on a surface, whose darkest pixels are lit."""
    gain_e_per_adu: float | None
    """By the growth of the variance with the level; None where it does not grow."""
    gain_error: float | None
    electrons: float | None
    """Of one pixel at the target's level."""


def measure_light(capture: Capture, ranking: Ranking) -> Light | None:
    """Measure light and noise on twelve usable frames spread over the capture; None where no target was lit.

    The variance of raw pixels over their level is a straight line whose slope is one over the gain and whose start is
    the read noise (Janesick, Klaasen & Elliott 1987, Opt. Eng. 26, 972). Errors come from thirds of the frames.
    Limits: fine detail counts as noise where there are fewer than 2 px per lambda/D; a lossy coder hides noise.
    """
    usable = np.flatnonzero(ranking.usable)
    chosen = usable[np.unique(np.linspace(0, len(usable) - 1, min(_FRAMES, len(usable))).astype(int))]
    samples: list[NDArray[np.float32]] = []
    levels: list[tuple[float, float, float]] = []
    # One colour of a mosaic stands on a grid of its own, twice as coarse.
    step = 2 if capture.mosaic else 1
    mask = ranking.target.mask[::step, ::step]
    sky = _thinned(sky_of(mask)) if ranking.target.kind == "disc" else np.zeros_like(mask)
    mask = _thinned(mask)
    for index in chosen:
        frame = np.nan_to_num(capture.get_frame(int(index)))
        samples.append(sample_noise(frame, capture.mosaic))
        shift = np.nan_to_num(np.rint(ranking.coarse_shift_px[index] / step)).astype(int)
        levels.append(_levels(raw_plane(frame, capture.mosaic), *(_moved(part, *shift) for part in (mask, sky))))
    middle, sky, peak = np.median(np.array(levels), axis=0)
    lit = float(middle - sky)
    if not lit > 0:
        return None
    model = fit_noise(np.concatenate(samples))
    groups = [fit_noise(np.concatenate(samples[k::_GROUPS])) for k in range(_GROUPS) if samples[k::_GROUPS]]
    noise = float(np.sqrt(model.variance(float(middle))))
    spread = np.std([np.sqrt(part.variance(float(middle))) for part in groups]) / np.sqrt(max(len(groups) - 1, 1))
    gain, gain_error = _gain(model, groups)
    return Light(
        lit,
        float(peak / capture.full_scale) if np.isfinite(capture.full_scale) else None,
        noise,
        lit / noise,
        float(lit / noise * max(spread / noise, 0.02)),
        float(np.sqrt(model.variance(float(sky)))) if ranking.target.kind == "disc" else None,
        gain,
        gain_error,
        None if gain is None else lit * gain,
    )


def _thinned(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a mask of every nth row and column of a large one: so few of the pixels tell a median as well."""
    step = max(1, round((np.count_nonzero(mask) / _MANY_PX) ** 0.5))
    thinned = np.zeros_like(mask)
    thinned[::step, ::step] = mask[::step, ::step]
    return thinned


def _levels(plane: NDArray[np.float32], mask: NDArray[np.bool_], sky: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Return the median of the target, the sky's (0 on a surface) and the level of the target's bright parts."""
    rows, columns = plane.shape
    inside, around = plane[mask[:rows, :columns]], plane[sky[:rows, :columns]]
    if not inside.size:
        return 0.0, 0.0, 0.0
    dark = float(np.median(around)) if around.size else 0.0
    middle, bright = np.percentile(inside, (50.0, _BRIGHT_PERCENT))
    return float(middle), dark, float(bright)


def _moved(mask: NDArray[np.bool_], down: int, right: int) -> NDArray[np.bool_]:
    """Return a mask moved by whole pixels; nothing comes in from beyond the border."""
    height, width = mask.shape
    moved = np.zeros_like(mask)
    if abs(down) < height and abs(right) < width:
        to = np.s_[max(down, 0) : height + min(down, 0), max(right, 0) : width + min(right, 0)]
        start = np.s_[max(-down, 0) : height + min(-down, 0), max(-right, 0) : width + min(-right, 0)]
        moved[to] = mask[start]
    return moved


def _gain(model: NoiseModel, groups: list[NoiseModel]) -> tuple[float | None, float | None]:
    """Return electrons per ADU and its error; None where the variance's growth is not certain (two sigma)."""
    slopes = np.array([part.per_adu for part in groups])
    error = float(slopes.std() / np.sqrt(max(len(slopes) - 1, 1)))
    if model.per_adu <= 0 or error > 0.5 * model.per_adu:
        return None, None
    gain = 1.0 / model.per_adu
    return gain, gain * max(error / model.per_adu, 0.02)
