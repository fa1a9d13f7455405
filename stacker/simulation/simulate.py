"""A capture with known truth: scene -> air -> telescope -> camera, frame by frame in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.simulation.camera import (
    QuickNoise,
    Sensor,
    build_sensor,
    coloured,
    expected_electrons,
    expose,
    through_mosaic,
)
from stacker.simulation.course import Course, plan_course
from stacker.simulation.imaging import Imaging
from stacker.simulation.scenario import Scenario

Real = NDArray[np.float32]
Frame = NDArray[Any]

_SCENE, _AIR, _SENSOR, _COURSE, _FRAME, _NOISE = range(6)


def simulate(scenario: Scenario, seed: int) -> Simulated:
    """Return the capture that `seed` makes of `scenario`; nothing is rendered until frames are asked for.

    Iterate it for the frames, (H, W) or (H, W, 3), uint8 or uint16; every pass gives the same bytes, and so does
    `frame(k)` alone. Truth about frames stands in the attributes of `Simulated`, the Strehl ratio once rendered.
    """
    return Simulated(scenario, seed)


class Simulated:
    """A simulated capture and its truth. Displacements are (dy, dx) in camera px, this frame minus the scene."""

    course: Course
    sensor: Sensor
    tilt_px: Real
    """(N, T, T, 2) displacement by the air at points spread evenly over the frame, corner pixel to corner pixel."""
    shift_px: NDArray[np.float64]
    """(N, 2) pointing plus the mean displacement by the air over the target (over the frame for a surface)."""
    strehl_nodes: Real
    """(N, G, G) peak of the tilt-free point spread function over the perfect one; nan before it is rendered.

    The nodes are spread evenly over the canvas (the frame and its margins)."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        """Draw scene, air, sensor and course."""
        self.scenario, self.seed = scenario, seed
        self.course = plan_course(self._rng(_COURSE), scenario)
        self.imaging = Imaging(scenario, self.course, self._rng(_SCENE), self._rng(_AIR))
        shape = (scenario.height_px, scenario.width_px)
        self.sensor = build_sensor(self._rng(_SENSOR), scenario.detector, shape)
        self.tilt_px = np.stack([self.imaging.tilt_px(k) for k in range(scenario.frames)])
        mean_tilt = np.tensordot(self.tilt_px, self.imaging.target_weight, ([1, 2], [0, 1]))
        self.shift_px = self.course.pointing_px + mean_tilt
        for index in np.flatnonzero(self.course.duplicate):
            self.tilt_px[index], self.shift_px[index] = self.tilt_px[index - 1], self.shift_px[index - 1]
        nodes = scenario.air.psf_grid
        self.strehl_nodes = np.full((scenario.frames, nodes, nodes), np.nan, np.float32)

    def __len__(self) -> int:
        """Return the number of frames."""
        return self.scenario.frames

    def __iter__(self) -> Iterator[Frame]:
        """Yield every frame in order."""
        last: Frame | None = None
        for index in range(len(self)):
            if last is None or not self.course.duplicate[index]:
                last = self.frame(index)
            self._note_duplicate(index)
            yield last

    def frame(self, index: int) -> Frame:
        """Return one frame by itself. Raises IndexError outside 0..len-1."""
        if not 0 <= index < len(self):
            raise IndexError(f"frame {index} of {len(self)}")
        if self.course.duplicate[index]:
            stored = self.frame(index - 1)
            self._note_duplicate(index)
            return stored
        rng = self._rng(_FRAME, index)
        brightness, self.strehl_nodes[index] = self._brightness(index)
        detector = self.scenario.detector
        raw = through_mosaic(coloured(brightness, detector), detector.mosaic)
        if self.course.blank[index]:
            raw = np.zeros_like(raw)
        expected = expected_electrons(self.sensor, raw, float(self.course.transmission[index]))
        quick = self._quick_noise
        stored = quick.expose(rng, self.sensor, expected) if quick else expose(rng, self.sensor, expected)
        return _tear(rng, stored) if self.course.torn[index] else stored

    @property
    def strehl(self) -> NDArray[np.float64]:
        """Return the mean Strehl ratio (N,) over the nodes; nan for frames not rendered yet."""
        return np.asarray(self.strehl_nodes.mean((1, 2)), np.float64)

    def _note_duplicate(self, index: int) -> None:
        if self.course.duplicate[index]:
            self.strehl_nodes[index] = self.strehl_nodes[index - 1]

    def _brightness(self, index: int) -> tuple[Real, Real]:
        if not self.scenario.fast:
            canvas, strehl = self.imaging.blurred(index)
            return self.imaging.displaced(canvas, index, self.tilt_px[index]), strehl
        strengths, bank = self._bank
        nearest = int(np.abs(strengths - self.course.d_over_r0[index]).argmin())
        # Neighbouring strengths take turns, so that equal seeing does not mean the very same picture.
        canvas, strehl = bank[int(np.clip(nearest + index % 3 - 1, 0, len(bank) - 1))]
        return self.imaging.displaced(canvas, index, self.tilt_px[index]), strehl

    @cached_property
    def _bank(self) -> tuple[NDArray[np.float64], list[tuple[Real, Real]]]:
        """Blurred canvases of frames spread over the strengths of seeing that occur."""
        usable = np.flatnonzero(~(self.course.out | self.course.duplicate))
        ranked = usable[np.argsort(self.course.d_over_r0[usable], kind="stable")]
        places = np.linspace(0, len(ranked) - 1, min(self.scenario.fast_bank, len(ranked))).round().astype(int)
        chosen = ranked[places]
        return self.course.d_over_r0[chosen], [self.imaging.blurred(int(index)) for index in chosen]

    @cached_property
    def _quick_noise(self) -> QuickNoise | None:
        if not self.scenario.fast:
            return None
        shape = (self.scenario.height_px, self.scenario.width_px, *([3] if self.scenario.detector.colour else []))
        return QuickNoise(self._rng(_NOISE), shape)

    def _rng(self, purpose: int, index: int = 0) -> np.random.Generator:
        return np.random.default_rng([self.seed, purpose, index])


def _tear(rng: np.random.Generator, stored: Frame) -> Frame:
    """Return a frame as a bad link delivers it: rows slipped sideways, or a block of garbage."""
    torn = stored.copy()
    height, width = stored.shape[:2]
    row = int(rng.integers(height // 5, 4 * height // 5))
    if rng.random() < 0.6:
        torn[row:] = np.roll(stored[row:], int(rng.integers(width // 6, width // 2)), axis=1)
        return torn
    block = torn[row : row + max(height // 6, 4)]
    block[...] = rng.integers(0, int(stored.max()) + 1, block.shape, dtype=stored.dtype)
    return torn
