"""What mends the sensor's defects in the frames of a capture: all that follows the ranking looks at mended frames."""

from __future__ import annotations

import numpy as np

from stacker.calibration.defects import DefectRepair, find_defects
from stacker.capture.sequence import Capture
from stacker.ranking.record import Ranking


def find_repair(capture: Capture, ranking: Ranking, effort: str = "full", workers: int = 1) -> DefectRepair:
    """Return what mends a raw frame (H, W), or (H, W, 3); see `find_defects` for what is found.

    Raises CaptureError where frames cannot be read. The result does not depend on `workers`.
    """
    usable = np.flatnonzero(ranking.usable).tolist()
    defects = find_defects(capture, usable, ranking.coarse_shift_px, workers, effort)
    return DefectRepair(defects, capture.mosaic)
