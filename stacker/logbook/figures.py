"""What is compared between runs: each figure, which way is better, how far it repeats, what else it depends on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stacker.logbook.columns import Numbers, Real
from stacker.logbook.fairness import Judged
from stacker.logbook.limit_shares import MEASURED_NAMES

SMALLER, NEITHER, LARGER = -1, 0, 1


@dataclass(frozen=True)
class Figure:
    """One figure of a run."""

    name: str
    """Key of metrics.json, or a name of the logbook's own."""
    words: str
    unit: str
    better: int
    """SMALLER, LARGER or NEITHER."""
    relative: bool
    """Whether runs are compared by ratio; else by difference."""
    depends: tuple[str, ...]
    """What must be the same where something else is compared."""
    read: Callable[[Judged], Numbers]
    repeat: Callable[[Judged], Real | float] = lambda fair: 0.0
    """Scatter between captures of one truth beyond the error bar: part of the value, or its unit where not relative."""


CIRCUMSTANCES = ("target", "kind", "telescope", "filter", "night")
"""The kind beside the target: a surface under a planet's name is a mistake, and no yardstick for it."""
OF_THE_AIR_ONLY = 0.17
"""Each capture is one draw of the air: resolution repeats to 0.17 times its distance from the diffraction limit beyond
its error bar (`scripts/experiment_fair_comparison.py`)."""
_MOTION_REPEATS = 0.10
"""The slow part of image motion is sampled by a few swings only (the same experiment)."""
_UNKNOWN_DISTANCE = 0.5


def _air_drawn(fair: Judged) -> Real:
    """Return how far a resolution repeats, as a part of it.

    From what was expected where r0 is known: a distance that follows the luck of the draw would favour lucky draws.
    """
    expected, reached = fair.expected_arcsec / fair.diffraction_arcsec, fair.over_diffraction.value
    distance = np.where(np.isfinite(expected), expected, reached) - 1.0
    return OF_THE_AIR_ONLY * np.where(np.isfinite(distance), np.maximum(distance, 0.0), _UNKNOWN_DISTANCE)


def _metric(name: str) -> Callable[[Judged], Numbers]:
    return lambda fair: fair.runs.measured(name)


def _motion(fair: Judged) -> Numbers:
    motion, scale = (fair.runs.measured(name) for name in ("image_motion_px_rms", "scale_arcsec_per_px"))
    return motion.times(scale.value)


FIGURES: tuple[Figure, ...] = (
    Figure(
        "resolution_arcsec",
        "resolution",
        '"',
        SMALLER,
        True,
        CIRCUMSTANCES,
        lambda fair: fair.resolution_arcsec,
        _air_drawn,
    ),
    Figure(
        "resolution_over_diffraction",
        "resolution over the own diffraction limit",
        "",
        SMALLER,
        True,
        CIRCUMSTANCES,
        lambda fair: fair.over_diffraction,
        _air_drawn,
    ),
    Figure(
        "resolution_over_expected",
        "resolution over what this aperture can show in that air",
        "",
        SMALLER,
        True,
        ("target", "kind", "telescope", "filter"),
        lambda fair: fair.over_expected,
        _air_drawn,
    ),
    Figure("seeing_arcsec", "seeing", '"', SMALLER, True, ("telescope", "night"), _metric("seeing_arcsec")),
    Figure("snr", "signal to noise", "", LARGER, True, CIRCUMSTANCES, _metric("snr")),
    Figure("information_bits", "information", "bit", LARGER, True, CIRCUMSTANCES, _metric("information_bits")),
    Figure(
        "image_motion_arcsec",
        "image motion",
        '"',
        NEITHER,
        True,
        CIRCUMSTANCES,
        _motion,
        lambda fair: _MOTION_REPEATS,
    ),
    Figure(
        "limb_overshoot_percent",
        "limb overshoot",
        "%",
        SMALLER,
        False,
        CIRCUMSTANCES,
        _metric("limb_overshoot_percent"),
    ),
)
"""Seeing is compared as measured, not as it would be in the zenith: the telescopes saw through it as it was."""

COMPARED_NAMES = (
    "resolution_arcsec",
    "resolution_over_diffraction",
    "r0_mm",
    "seeing_arcsec",
    "snr",
    "information_bits",
    "image_motion_px_rms",
    "scale_arcsec_per_px",
    "disc_radius_px",
    "north_angle_deg",
    "limb_overshoot_percent",
    *MEASURED_NAMES,
)
"""Keys of metrics.json that a comparison and its pictures need."""


def on_scale(figure: Figure, fair: Judged) -> Numbers:
    """Return a figure and its whole error on the scale on which it is compared: the logarithm where relative."""
    found = figure.read(fair)
    if not figure.relative:
        return Numbers(found.value, np.hypot(found.error, figure.repeat(fair)))
    found = found.positive()
    return Numbers(np.log(found.value), np.hypot(found.error / found.value, figure.repeat(fair)))
