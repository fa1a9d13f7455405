"""The usual seeing of a site, from the runs that were measured there."""

from __future__ import annotations

import json
import math
from pathlib import Path
from statistics import median

AT_550_NM = (550.0 / 500.0) ** -0.2
"""Seeing at 550 nm, for which plans are made, over that at 500 nm, as metrics.json has it."""


def usual_seeing_arcsec(runs: Path) -> tuple[float, int] | None:
    """Return the median seeing (arcsec, 550 nm) over the run folders below `runs`, and how many had one; None for none.

    In the zenith where a run knows it, else as measured. A `metrics.json` that cannot be read counts as not measured.
    """
    measured = [value for path in sorted(runs.rglob("metrics.json")) if (value := _seeing(path)) is not None]
    return (median(measured), len(measured)) if measured else None


def _seeing(path: Path) -> float | None:
    """Return a run's seeing at 550 nm: it is told at 500 nm and shrinks as wavelength^-0.2 (Fried 1966)."""
    try:
        metrics = json.loads(path.read_bytes())
        seeing = _positive(metrics.get("seeing_arcsec"))
        slanted, straight = (_positive(metrics.get(key)) for key in ("r0_mm", "r0_zenith_mm"))
    except (OSError, ValueError, AttributeError):
        return None
    if seeing is None:
        return None
    return AT_550_NM * (seeing * slanted / straight if slanted and straight else seeing)


def _positive(value: object) -> float | None:
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0:
        return float(value)
    return None
