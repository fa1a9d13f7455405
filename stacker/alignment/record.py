"""Where every used frame's pixels lie in the common geometry, and how much each frame deserves to count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.level import Level, level_of
from stacker.alignment.prior import Modes
from stacker.alignment.region import Region
from stacker.calibration.defects import DefectRepair


@dataclass(frozen=True)
class Alignment:
    """Displacement fields of the M used frames, all on one geometry whose mean warp is taken as none."""

    region: Region
    modes: Modes
    step_px: float
    frames: NDArray[np.intp]
    """(M,) numbers of the used frames, rising."""
    half: NDArray[np.intp]
    """(M,) 0 or 1: the half whose own reference the frame was aligned to."""
    coarse_px: NDArray[np.float64]
    """(M, 2) coarse (dy, dx) that the fields come on top of."""
    coefficients: NDArray[np.float32]
    """(M, tiles, modes) the fields."""
    half_warp: NDArray[np.float64]
    """(2, tiles, modes) field from each half's own geometry to the common one."""
    gain: NDArray[np.float64]
    """(M,) contrast of the dewarped frame against the reference at 0.2-0.5 of the cutoff; median 1."""
    weight: NDArray[np.float64]
    """(M,) weight in the mean, sum 1."""
    shift_px: NDArray[np.float64]
    """(M, 2) mean (dy, dx) of the target in the frame minus in the reference."""
    shift_error_px: NDArray[np.float64]
    """(M,) standard error of that shift."""
    repair: DefectRepair
    """Mends the sensor's defects in a raw frame."""
    scale: NDArray[np.float64]
    """(M,) factor that levels each frame's brightness."""
    field_rms_px: float
    """Root mean square of the local displacements over frames and target, one axis."""
    notes: tuple[str, ...] = ()

    def level(self, binning: int) -> Level:
        """Return the region at one binning, to evaluate the fields on."""
        return level_of(self.region, self.step_px, binning)


def whole_offset(coarse_px: NDArray[np.float64]) -> tuple[int, int]:
    """Return the even whole-pixel part of a coarse shift: the cut moves by it, a colour mosaic keeps its phase."""
    dy, dx = (2 * int(np.rint(value / 2)) for value in coarse_px)
    return dy, dx
