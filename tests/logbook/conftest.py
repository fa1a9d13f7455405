"""Runs made up from a truth that is known, without pictures."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stacker.logbook import LoggedRun, Measured
from stacker.logbook.run_reading import measured_in

MakeRun = Callable[..., LoggedRun]


def made_run(number: int = 0, **told: Any) -> LoggedRun:
    """Return a run with these circumstances (telescope, target, night, ...), settings and numbers with errors."""
    numbers = told.pop("measured", {})
    telescope, aperture = told.pop("telescope", "ten inch"), told.pop("aperture_mm", 254.0)
    night, capture = told.pop("night", "2031-04-05"), told.pop("capture", f"capture {number}")
    circumstances = {
        "capture": {"target": told.pop("target", "Ambrel"), "start_utc": f"{night}T22:00:00.000000Z"},
        "telescope": {"name": telescope, "aperture_mm": aperture, "obstruction_mm": 0.3 * aperture},
        "site": {"name": told.pop("site", "Old Beacon")},
    }
    if "filter" in told:
        circumstances["capture"]["filter"] = told.pop("filter")
    metrics = {"schema_version": 1, **told.pop("metrics", {})}
    return LoggedRun(
        id=hashlib.sha256(f"{number} {json.dumps([circumstances, told], default=str)}".encode()).hexdigest()[:16],
        folder=Path(f"/runs/{capture}").absolute(),
        processed_utc="2031-04-06T08:00:00Z",
        capture=f"{capture}.avi",
        capture_sha256=hashlib.sha256(capture.encode()).hexdigest(),
        software_version="0.1",
        kind="disc",
        night=night,
        altitude_deg=told.pop("altitude_deg", None),
        airmass=told.pop("airmass", None),
        circumstances=circumstances,
        settings={"stacking": {"keep": told.pop("keep", "auto")}},
        measured={**measured_in(metrics), **{name: Measured(*found) for name, found in numbers.items()}},
        metrics=metrics,
    )


@pytest.fixture
def make_run() -> MakeRun:
    """Return what makes a run up."""
    return made_run


@pytest.fixture
def random() -> np.random.Generator:
    """Return a seeded source of chance."""
    return np.random.default_rng(20310405)
