"""The finished picture with its label, from what a run knows."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture
from stacker.measuring.witness import Witness
from stacker.report.labels import Label, draw_labels, label_of


def labelled(
    shown: NDArray[np.uint16], capture: Capture, witness: Witness, metrics: dict[str, Any], *, north_up: bool
) -> NDArray[np.uint8]:
    """Return a copy of `shown` (H, W) or (H, W, 3) in 8 bits with the label below it; `shown` stays as it is.

    North is turned up where `north_up` asks for it and it is known; else the picture stays as captured and says so.
    """
    label = label_for(capture, witness, metrics)
    up = north_up and label.north_angle_deg is not None
    drawn = draw_labels((shown >> 8).astype(np.uint8), label, north_up=up)
    return np.asarray(drawn, np.uint8)


def label_for(capture: Capture, witness: Witness, metrics: dict[str, Any]) -> Label:
    """Return what is known of a run in the words of a label."""
    circumstances = capture.circumstances
    known: dict[str, Any] = {
        "telescope": circumstances.telescope.name,
        "seeing_arcsec": metrics.get("seeing_arcsec"),
        "resolution_arcsec": metrics.get("resolution_arcsec"),
        "scale_arcsec_per_px": metrics.get("scale_arcsec_per_px"),
        "north_angle_deg": witness.north_angle_deg,
        "mirrored": bool(circumstances.camera.mirrored),
    }
    if witness.look is not None:
        return label_of(witness.look, **known)
    start = circumstances.start_utc
    when = None if start is None else datetime.fromisoformat(start).astimezone(UTC)
    return Label(circumstances.target or capture.name, when, **known)
