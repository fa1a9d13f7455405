"""The course of a capture: when each frame is taken, where the mount points, what cloud and mishaps do to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.simulation.scenario import Scenario

_CLOUD_MEMORY_S = 1.5


@dataclass(frozen=True)
class Course:
    """One entry a frame."""

    time_s: NDArray[np.float64]
    """Middle of the exposure after the start of the capture."""
    d_over_r0: NDArray[np.float64]
    pointing_px: NDArray[np.float64]
    """(N, 2) (dy, dx) of the mount alone."""
    speed_px_per_s: NDArray[np.float64]
    """(N, 2) of drift and periodic error: what smears an exposure."""
    transmission: NDArray[np.float64]
    out: NDArray[np.bool_]
    duplicate: NDArray[np.bool_]
    """The frame repeats the one before."""
    torn: NDArray[np.bool_]
    blank: NDArray[np.bool_]


def plan_course(rng: np.random.Generator, scenario: Scenario) -> Course:
    """Draw the course of a capture."""
    count = scenario.frames
    step_s = 1.0 / scenario.frames_per_s
    air, mishaps = scenario.air, scenario.mishaps
    strength = _wander(rng, count, step_s, air.seeing_memory_s)
    cloud = 1.0 / (1.0 + np.exp(-2.0 * _wander(rng, count, step_s, _CLOUD_MEMORY_S)))
    out, duplicate, torn, blank = _place_mishaps(rng, scenario)
    pointing, speed = _point(rng, scenario)
    _leave_field(rng, pointing, out, (scenario.height_px, scenario.width_px))
    course = Course(
        time_s=np.arange(count, dtype=np.float64) * step_s + 0.5 * scenario.exposure_s,
        d_over_r0=air.d_over_r0 * np.exp(-air.seeing_sigma * strength),
        pointing_px=pointing,
        speed_px_per_s=speed,
        transmission=1.0 - mishaps.cloud * cloud,
        out=out,
        duplicate=duplicate,
        torn=torn,
        blank=blank,
    )
    for index in np.flatnonzero(duplicate):
        for values in (
            course.d_over_r0,
            course.pointing_px,
            course.speed_px_per_s,
            course.transmission,
            course.out,
            course.torn,
            course.blank,
        ):
            values[index] = values[index - 1]
    return course


def _wander(rng: np.random.Generator, count: int, step_s: float, memory_s: float) -> NDArray[np.float64]:
    """Return a stationary series of zero mean and unit variance whose correlation falls as exp(-t / memory)."""
    keep = float(np.exp(-step_s / memory_s)) if memory_s > 0 else 0.0
    kicks = rng.standard_normal(count) * np.sqrt(1 - keep**2)
    series = np.empty(count)
    value = rng.standard_normal()
    for index in range(count):
        value = keep * value + kicks[index]
        series[index] = value
    return series


def _point(rng: np.random.Generator, scenario: Scenario) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where the mount points in each frame, in px, and how fast it moves, in px per second."""
    tracking = scenario.tracking
    count = scenario.frames
    part = np.linspace(-0.5, 0.5, count) if count > 1 else np.zeros(1)
    pointing = np.stack([tracking.drift_y_px * part, tracking.drift_x_px * part], axis=1)
    turn = 2 * np.pi * np.arange(count) / scenario.frames_per_s / tracking.periodic_error_s
    turn += rng.uniform(0, 2 * np.pi)
    pointing[:, 1] += tracking.periodic_error_px * np.sin(turn)
    span_s = max(count - 1, 1) / scenario.frames_per_s
    speed = np.tile(np.array([tracking.drift_y_px, tracking.drift_x_px]) / span_s, (count, 1))
    speed[:, 1] += tracking.periodic_error_px * np.cos(turn) * 2 * np.pi / tracking.periodic_error_s
    pointing += tracking.jitter_px * rng.standard_normal((count, 2))
    for _ in range(tracking.jumps):
        angle = rng.uniform(0, 2 * np.pi)
        # A jump comes back later: the observer re-centres, so the target stays in reach of the canvas.
        start, end = np.sort(rng.integers(0, count + 1, 2))
        pointing[start:end] += tracking.jump_px * np.array([np.sin(angle), np.cos(angle)])
    return pointing, speed


def _place_mishaps(rng: np.random.Generator, scenario: Scenario) -> tuple[NDArray[np.bool_], ...]:
    """Return flags out, duplicate, torn and blank on different frames; frame 0 is spared."""
    mishaps, count = scenario.mishaps, scenario.frames
    numbers = (mishaps.out_of_field, mishaps.duplicates, mishaps.torn, mishaps.blank)
    if sum(numbers) >= count:
        raise ValueError(f"{sum(numbers)} mishaps do not fit into {count} frames")
    places = rng.permutation(np.arange(1, count))[: sum(numbers)]
    flags = []
    for group in np.split(places, np.cumsum(numbers)[:-1]):
        flag = np.zeros(count, bool)
        flag[group] = True
        flags.append(flag)
    return tuple(flags)


def _leave_field(
    rng: np.random.Generator, pointing: NDArray[np.float64], out: NDArray[np.bool_], frame_px: tuple[int, int]
) -> None:
    for index in np.flatnonzero(out):
        angle = rng.uniform(0, 2 * np.pi)
        pointing[index] += rng.uniform(0.7, 1.0) * np.array(frame_px) * np.array([np.sin(angle), np.cos(angle)])
