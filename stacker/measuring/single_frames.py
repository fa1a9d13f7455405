"""What single frames tell without an alignment: air, focus, light, the sensor's pattern.

It can be measured while others align and average them.
"""

from __future__ import annotations

from dataclasses import dataclass

from stacker.calibration.defects import DefectRepair
from stacker.capture.sequence import Capture
from stacker.measuring.fixed_pattern import fixed_pattern
from stacker.measuring.light import Light, measure_light
from stacker.measuring.seeing import measure_seeing
from stacker.measuring.seeing_record import Seeing
from stacker.ranking.record import Ranking


@dataclass(frozen=True)
class SingleFrames:
    """What they told."""

    seeing: Seeing
    """Air and focus, with notes of their own."""
    light: Light | None
    """None where no target was lit."""
    fixed_pattern: float | None
    """Of the sensor, rms over the target's light; None where it cannot be told."""


def look_at_frames(
    capture: Capture, ranking: Ranking, repair: DefectRepair, effort: str = "full", workers: int = 1
) -> SingleFrames:
    """Measure what single frames tell. Raises CaptureError where they cannot be read."""
    known = capture.circumstances
    seeing = measure_seeing(capture, ranking, repair, known, workers, effort)
    pattern = fixed_pattern(capture, ranking, repair, known.cutoff_cyc_per_px())
    return SingleFrames(seeing, measure_light(capture, ranking), pattern)
