"""How the mount held the target: drift, periodic motion, smear during the exposures, frames and borders lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.capture.sequence import Capture
from stacker.ranking.record import Ranking

Curve = NDArray[np.float64]

_FEWEST = 12
_SPEED_FRAMES = 9
_SPAN_PERIODS = 1.5
_FEWEST_PER_PERIOD = 6
_PERIODS = 200
_FALSE_ALARM = 1e-3


@dataclass(frozen=True)
class Tracking:
    """Motion of the target over the sensor in camera pixels; None where it needs times, the exposure or more frames."""

    drift_px_per_s: float | None
    drift_px_per_s_error: float | None
    drift_px: float
    """Way over the whole capture, first to last frame, along a straight line."""
    periodic_px: float | None
    """Amplitude of the strongest periodic motion; 0 where none is certain."""
    periodic_px_error: float | None
    periodic_s: float | None
    """Its period."""
    smear_px: float | None
    """Root mean square way during one exposure."""
    smear_px_error: float | None
    frames_lost: int
    """In which the target was out of the field."""
    usable: int
    coverage: float
    """Frames behind a usual pixel of the target over those behind the best covered ones."""

    @property
    def kept_share(self) -> float:
        """Return the share of the light that drift left: frames in the field times coverage."""
        return self.coverage * self.usable / max(self.usable + self.frames_lost, 1)


def measure_tracking(
    capture: Capture, ranking: Ranking, coverage: NDArray[np.float32], mask: NDArray[np.bool_]
) -> Tracking:
    """Measure the mount's motion on the coarse shifts of all usable frames.

    Drift is the least squares line over time, its error from block sums of the residual; periodic motion the highest
    peak of the least squares spectrum of what remains (Lomb 1976, Astrophys. Space Sci. 39, 447), told where chance
    makes one so high in fewer than one capture of a thousand. `coverage` (H, W) and `mask` are the stack's.
    """
    lost = sum(reason == "out of field" for reason in ranking.reason)
    usable = np.flatnonzero(ranking.usable & np.isfinite(ranking.coarse_shift_px).all(1))
    inside = coverage[mask]
    covered = float(np.median(inside) / max(float(np.percentile(inside, 99)), 1e-9)) if inside.size else 1.0
    empty = Tracking(None, None, 0.0, None, None, None, None, None, lost, int(ranking.usable.sum()), covered)
    if len(usable) < 3:
        return empty
    shift = ranking.coarse_shift_px[usable]
    step = np.asarray(usable, np.float64)
    slope, slope_error, residual = _line(step, shift)
    way = float(np.hypot(*slope)) * float(step[-1] - step[0])
    seconds = _seconds(capture, usable)
    if seconds is None or len(usable) < _FEWEST:
        return Tracking(None, None, way, None, None, None, None, None, lost, empty.usable, covered)
    per_frame = float(seconds[-1] - seconds[0]) / float(step[-1] - step[0])
    amplitude, amplitude_error, period = _strongest_period(seconds, residual)
    smear, smear_error = _smear(seconds, shift, capture.circumstances.exposure_s)
    return Tracking(
        float(np.hypot(*slope)) / per_frame,
        slope_error / per_frame,
        way,
        amplitude,
        amplitude_error,
        period,
        smear,
        smear_error,
        lost,
        empty.usable,
        covered,
    )


def _seconds(capture: Capture, usable: NDArray[np.intp]) -> Curve | None:
    if capture.times_utc is None:
        return None
    seconds = (capture.times_utc[usable] - capture.times_utc[0]) / np.timedelta64(1, "s")
    return np.asarray(seconds, np.float64) if seconds[-1] > seconds[0] else None


def _line(time: Curve, shift: Curve) -> tuple[Curve, float, Curve]:
    """Return slope (2,), its error and the residuals (N, 2) of straight lines."""
    centred = time - time.mean()
    total = float(centred @ centred)
    slope = centred @ (shift - shift.mean(0)) / total
    residual = shift - shift.mean(0) - centred[:, None] * slope
    error = 0.0
    for part in np.array_split(np.arange(len(time)), min(8, len(time))):
        error += float(((centred[part] @ residual[part]) ** 2).sum())
    return np.asarray(slope), float(np.sqrt(error) / total), residual


def _strongest_period(seconds: Curve, residual: Curve) -> tuple[float, float, float | None]:
    """Return (amplitude, error, period) of the strongest periodic motion along its axis; period None where none."""
    span = float(seconds[-1] - seconds[0])
    shortest = _FEWEST_PER_PERIOD * span / max(len(seconds) - 1, 1)
    longest = span / _SPAN_PERIODS
    variance = float((residual**2).mean())
    if longest <= shortest or variance == 0:
        return 0.0, 0.0, None
    frequency = np.geomspace(1 / longest, 1 / shortest, _PERIODS)
    wave = np.exp(-2j * np.pi * frequency[:, None] * seconds)
    line = wave @ residual / len(seconds)
    power = (np.abs(line) ** 2).sum(1)
    best = int(power.argmax())
    amplitude = 2.0 * float(np.sqrt(power[best]))
    left = max(variance - amplitude**2 / 4.0, 1e-12)
    # The air's own motion is red; its mean power around the peak is the floor that chance has to beat.
    near = np.abs(np.log(frequency / frequency[best]))
    around = power[(near > 0.35) & (near < 1.5)]
    floor = max(2.0 * left / len(seconds), float(np.median(around)) / 0.7 if len(around) else 0.0)
    error = float(np.sqrt(floor))
    if power[best] < floor * np.log(_PERIODS / _FALSE_ALARM):
        return 0.0, 2.0 * error, None
    return amplitude, 2.0 * error, float(1 / frequency[best])


def _smear(seconds: Curve, shift: Curve, exposure_s: float | None) -> tuple[float | None, float | None]:
    """Return the rms way during an exposure, and its error: speeds by lines through nine frames, their noise taken off.

    The air's own dance is slowed down by the lines and counts where it lasts over nine frames.
    """
    if not exposure_s:
        return None, None
    squares, noises = [], []
    for first in range(0, len(seconds) - _SPEED_FRAMES + 1, _SPEED_FRAMES):
        part = slice(first, first + _SPEED_FRAMES)
        time = seconds[part] - seconds[part].mean()
        total = float(time @ time)
        slope = time @ shift[part] / total
        residual = shift[part] - shift[part].mean(0) - time[:, None] * slope
        squares.append(float(slope @ slope))
        noises.append(float((residual**2).sum()) / (_SPEED_FRAMES - 2) / total)
    if not squares:
        return None, None
    speed2 = np.array(squares) - np.array(noises)
    mean = float(speed2.mean())
    error = float(speed2.std() / np.sqrt(len(speed2)))
    speed = float(np.sqrt(max(mean, 0.0)))
    return speed * exposure_s, min(0.5 * error / max(speed, 1e-9), float(np.sqrt(error))) * exposure_s
