"""The usual seeing of a site, from the runs that were measured there."""

from __future__ import annotations

import json
import math
from pathlib import Path
from statistics import median


def usual_seeing_arcsec(runs: Path) -> tuple[float, int] | None:
    """Return the median of `seeing_arcsec` over the run folders below `runs`, and how many had one; None for none.

    A `metrics.json` that cannot be read counts as not measured.
    """
    measured = [value for path in sorted(runs.rglob("metrics.json")) if (value := _seeing(path)) is not None]
    return (median(measured), len(measured)) if measured else None


def _seeing(path: Path) -> float | None:
    try:
        value = json.loads(path.read_bytes()).get("seeing_arcsec")
    except (OSError, ValueError, AttributeError):
        return None
    usable = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0
    return float(value) if usable else None
