"""Captures in memory and alignments made by hand, so that averaging is tried apart from measuring."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from stacker.alignment import Alignment
from stacker.alignment.prior import turbulence_modes
from stacker.alignment.region import plan_region
from stacker.calibration.defects import DefectRepair
from stacker.capture import Film
from stacker.ranking.record import Ranking, Target

Made = tuple[Film, Ranking, Alignment]


@pytest.fixture(scope="session")
def by_hand() -> Callable[..., Made]:
    """Return a maker of a surface capture whose frames stand at known shifts, all used."""

    def make(
        frames: NDArray[Any], shift_px: ArrayLike | None = None, weight: ArrayLike | None = None,
        half: ArrayLike | None = None, mosaic: str | None = None, coefficients: NDArray[np.float32] | None = None,
    ) -> Made:  # fmt: skip
        count, shape = len(frames), (frames.shape[1], frames.shape[2])
        shift = np.zeros((count, 2)) if shift_px is None else np.asarray(shift_px, float)
        share = np.ones(count) if weight is None else np.asarray(weight, float)
        target = Target("surface", (shape[0] / 2, shape[1] / 2), float(np.hypot(*shape)) / 2, np.ones(shape, bool))
        nan = np.full((count, 1, 1), np.nan, np.float32)
        ranking = Ranking(target, 0, np.ones(count), nan, np.ones(count), shift, ("",) * count, 1.0, 0.0)
        region = plan_region(target, shape)
        modes = turbulence_modes(region.tile_shape, 16.0, 1.7, 40)
        alignment = Alignment(
            region=region,
            modes=modes,
            step_px=16.0,
            frames=np.arange(count),
            half=np.arange(count) % 2 if half is None else np.asarray(half),
            coarse_px=shift,
            coefficients=np.zeros((count, 1, modes.count), np.float32) if coefficients is None else coefficients,
            half_warp=np.zeros((2, 1, modes.count)),
            gain=np.ones(count),
            weight=share / share.sum(),
            shift_px=shift,
            shift_error_px=np.zeros(count),
            repair=DefectRepair(np.zeros(shape, bool), mosaic),
            scale=np.ones(count),
            field_rms_px=0.0,
        )
        return Film(frames, mosaic=mosaic), ranking, alignment

    return make
