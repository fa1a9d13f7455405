"""The verdict: what stood between a capture and its telescope's diffraction limit, worst first."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.advice import advise
from stacker.measuring.causes import Causes, cause_figures
from stacker.measuring.depths import ASSUMED_PX_PER_ELEMENT, budget_of, depths_of, px_per_element
from stacker.measuring.shortfall import (
    Seen,
    beyond_nyquist,
    divide,
    ideal_curve,
    ideal_signal,
    ring_frequency,
    seen_rings,
)
from stacker.sky.optics import diffraction_transfer

Curve = NDArray[np.float64]

NAMES = ("air", "optics", "sampling", "light", "frames", "rotation", "tracking", "dispersion", "clipping")
_LEAST_ERROR = 0.02
_UNKNOWN_ERROR = 0.25
"""Of every share where nothing is known of the air, or of the telescope."""


@dataclass(frozen=True)
class Limit:
    """One cause and what it took."""

    name: str
    """air, optics, sampling, light, frames, rotation, tracking, dispersion or clipping."""
    share: float | None
    """Of the information that the ideal capture holds and this one does not, 0 to 1; None where it cannot be told."""
    share_error: float | None
    sentence: str
    """What it was and what to do next time."""


@dataclass(frozen=True)
class Verdict:
    """What limited a capture."""

    limits: tuple[Limit, ...]
    """Worst first; what cannot be told comes last."""
    missing: float | None
    """Share of the ideal capture's information that is missing."""
    note: str = ""
    """Why there is no verdict, or what it takes for granted."""

    def as_records(self) -> list[dict[str, Any]]:
        """Return the limits as they stand in metrics.json."""
        return [asdict(limit) for limit in self.limits]


def verdict(causes: Causes) -> Verdict:
    """Return the causes of a capture's shortfall, worst first; see `shortfall` for what a share is.

    Transfers: air at the measured D/r0 (`transfers.kept_transfer`); a static defocus by the autocorrelation of the
    pupil; pixels, rotation, motion during an exposure and the spread of colours by sinc. Noise: photons and read noise
    of a frame against a frame of signal to noise 40, usable frames against 500; frames that were left out for their
    blur are charged to the air. Errors: each measured value is moved by its own, the shares' changes add in quadrature.
    """
    seen = _seen(causes)
    if seen is None:
        return Verdict((), None, "needs a target of some size and enough frames for two half-stacks")
    budget = budget_of(causes)
    telescope = diffraction_transfer(ring_frequency(), causes.obstruction_ratio)
    shares, missing = _shares(causes, budget.values, seen, telescope)
    errors = dict.fromkeys(shares, _LEAST_ERROR**2)
    for name, error in budget.errors.items():
        moved = budget.values | {name: budget.values[name] + error}
        changed, _ = _shares(causes, moved, seen, telescope)
        for cause in shares:
            errors[cause] += (changed[cause] - shares[cause]) ** 2
    blind = _UNKNOWN_ERROR if "air" in budget.unknown or causes.sampling is None else 0.0
    limits = [
        Limit(
            name,
            None if name in budget.unknown else shares[name],
            None if name in budget.unknown else float(min(np.hypot(np.sqrt(errors[name]), blind), 1.0)),
            advise(name, shares[name], causes, budget.unknown.get(name)),
        )
        for name in NAMES
    ]
    limits.sort(key=lambda limit: -1.0 if limit.share is None else limit.share, reverse=True)
    note = (
        "" if causes.sampling else f"the telescope is not known: {ASSUMED_PX_PER_ELEMENT:.0f} px per lambda/D assumed"
    )
    return Verdict(tuple(limits), missing, note)


def limit_figures(causes: Causes, notes: dict[str, str]) -> dict[str, Any]:
    """Return the verdict and the figures of the causes, keyed as in metrics.json; reasons for None go into `notes`."""
    found = verdict(causes)
    notes |= causes.notes
    if found.note:
        notes["limits"] = found.note
    return cause_figures(causes) | {"limits": found.as_records(), "missing_information": found.missing}


def _shares(causes: Causes, values: dict[str, float], seen: Seen, telescope: Curve) -> tuple[dict[str, float], float]:
    depths = depths_of(causes, values)
    others = np.sum(list(depths.values()), axis=0)
    (level, slope), covariance = ideal_signal(seen, others, telescope)
    level += values["level"] * float(np.sqrt(covariance[0, 0]))
    slope += values["slope"] * float(np.sqrt(covariance[1, 1]))
    ideal = ideal_curve(seen, level, slope, telescope)
    coarse = beyond_nyquist(ideal, others, px_per_element(causes), max(causes.frames.effective, 1.0))
    depths["sampling"] = depths["sampling"] + coarse
    return divide(ideal, depths, causes.clipped_fraction)


def _seen(causes: Causes) -> Seen | None:
    resolution = causes.resolution
    if resolution is None:
        return None
    rings = resolution.rings
    unit = causes.zoom * px_per_element(causes)
    resolved = None if resolution.half_bit_px is None else unit / resolution.half_bit_px
    return seen_rings(rings.frequency_cyc_per_px * unit, rings.correlation, rings.count, resolved)
