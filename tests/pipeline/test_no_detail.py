"""Captures that hold no detail: no resolution is reported, and the reason is."""

from pathlib import Path
from typing import Any

import pytest

from stacker.pipeline import process
from stacker.settings import RankingSettings, Settings
from stacker.simulation import (
    Air,
    BandedPlanet,
    Detector,
    EmptySky,
    FeaturelessDisc,
    FlatField,
    Scenario,
    Tracking,
    write_simulation,
)
from stacker.simulation.scenes import Scene

CASES: dict[str, tuple[Scene, float, str]] = {
    "pure noise": (EmptySky(), 0.0, "surface"),
    "a flat": (FlatField(), 0.0, "surface"),
    "a featureless field in air": (FlatField(), 5.0, "surface"),
    "a bare disc": (FeaturelessDisc(), 0.0, "auto"),
    "a bare disc in air": (FeaturelessDisc(), 4.0, "auto"),
    "a bare disc in rough air": (FeaturelessDisc(), 7.0, "auto"),
}


def measured(folder: Path, scene: Scene, d_over_r0: float, target: str, seed: int, pattern: float = 0.0) -> Any:
    """Return the metrics of a small capture."""
    scenario = Scenario(
        scene=scene, frames=60, height_px=96, width_px=96, air=Air(d_over_r0, psf_grid=3),
        detector=Detector(bits=12, fixed_pattern_rms=pattern), tracking=Tracking(jitter_px=0.3),
    )  # fmt: skip
    path, *_ = write_simulation(folder / "capture.fits", scenario, seed, "fits")
    return process(path, folder / "runs", Settings(ranking=RankingSettings(target)), workers=1).metrics


@pytest.mark.parametrize("case", list(CASES))
def test_nothing_resolves_nothing(case: str, tmp_path: Path) -> None:
    """What the halves share without detail (noise, shading, the limb's blur) is no resolution."""
    metrics = measured(tmp_path, *CASES[case], seed=3)
    assert metrics["resolution_px"] is None
    assert metrics["notes"]["resolution_px"].startswith("no detail")
    assert "fixed pattern" not in metrics["notes"].get("remarks", "")


def test_a_pattern_on_a_bare_disc_is_no_detail(tmp_path: Path) -> None:
    """A sensor of 2 % non-uniformity under a disc without detail: noticed, and not taken for one."""
    metrics = measured(tmp_path, FeaturelessDisc(), 3.0, "auto", 4, pattern=0.02)
    assert metrics["resolution_px"] is None
    assert "pixels differ by 2." in metrics["notes"]["remarks"] or "pixels differ by 1.9" in metrics["notes"]["remarks"]


def test_a_pattern_under_a_planet_is_told(tmp_path: Path) -> None:
    """The planet's own detail is stronger: it keeps its resolution, and the pattern is told."""
    metrics = measured(tmp_path, BandedPlanet(0.7), 4.0, "auto", 5, pattern=0.02)
    assert metrics["resolution_px"] is not None
    assert "in a fixed pattern" in metrics["notes"]["remarks"]
