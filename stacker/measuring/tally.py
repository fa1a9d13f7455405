"""What a run counted: frames there, readable, used; the size of the stack; how far the target danced."""

from __future__ import annotations

from typing import Any

import numpy as np

from stacker.alignment.record import Alignment
from stacker.capture.sequence import Capture
from stacker.measuring.motion import image_motion_px_rms
from stacker.ranking.record import Ranking
from stacker.stacking.record import Stack


def count_figures(
    capture: Capture, ranking: Ranking, alignment: Alignment, linear: Stack, notes: dict[str, str]
) -> dict[str, Any]:
    """Return counts, sizes and image motion keyed as in metrics.json; reasons for what is None go into `notes`."""
    motion, motion_error = image_motion_px_rms(alignment.shift_px, alignment.shift_error_px)
    if not np.isfinite(motion):
        notes["image_motion_px_rms"] = "too few frames"
    return {
        "capture": capture.path.name,
        "frames_total": len(capture) + capture.frames_lost,
        "frames_readable": len(capture) - sum(reason == "unreadable" for reason in ranking.reason),
        "frames_used": len(alignment.frames),
        "keep_percent": 100 * len(alignment.frames) / int(ranking.usable.sum()),
        "target": ranking.target.kind,
        "width_px": linear.image.shape[1],
        "height_px": linear.image.shape[0],
        "image_motion_px_rms": motion,
        "image_motion_px_rms_error": motion_error,
        "clipped_fraction": ranking.clipped_fraction,
    }
