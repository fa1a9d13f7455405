"""What single frames tell without a stack: air, focus and light. It can be measured while others average them."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.alignment.record import Alignment
from stacker.capture.sequence import Capture
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


def look_at_frames(
    capture: Capture, ranking: Ranking, alignment: Alignment, effort: str = "full", workers: int = 1
) -> SingleFrames:
    """Measure what single frames tell. Raises CaptureError where they cannot be read."""
    seeing = measure_seeing(capture, ranking, alignment, capture.circumstances, workers, effort)
    return SingleFrames(seeing, measure_light(capture, ranking))
