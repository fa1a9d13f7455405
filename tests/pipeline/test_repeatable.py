"""The same capture gives the same bytes in another process and with another number of workers."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from stacker.simulation import Air, BandedPlanet, Scenario, Tracking, write_simulation
from stacker.simulation.scenario import Detector

SAME = ("stack.fits", "stack.tif", "finished.fits", "finished.png", "labelled.png", "best_frame.png", "frames.csv")


@pytest.fixture(scope="module")
def mosaic_capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scenario = Scenario(
        scene=BandedPlanet(),
        frames=40,
        height_px=112,
        width_px=128,
        detector=Detector(mosaic="GRBG", bits=12, wavelength_nm=535.0),
        air=Air(d_over_r0=4.0, psf_grid=2, zenith_distance_deg=40.0),
        tracking=Tracking(drift_x_px=6, jitter_px=0.5),
    )
    return write_simulation(tmp_path_factory.mktemp("mosaic") / "planet.fits", scenario, 11, "fits")[0]


def run_apart(capture: Path, out: Path, workers: int) -> dict[str, bytes]:
    """Process a capture by a fresh interpreter; return the bytes of images and table."""
    command = [sys.executable, "-m", "stacker.cli", "process", str(capture), "--out", str(out)]
    subprocess.run([*command, "--workers", str(workers)], check=True, capture_output=True)
    return {name: (out / capture.stem / name).read_bytes() for name in SAME}


def test_a_mosaic_gives_the_same_bytes_in_every_process(mosaic_capture: Path, tmp_path: Path) -> None:
    """Twice with one worker, twice with two, each in a process of its own."""
    first, *others = (
        run_apart(mosaic_capture, tmp_path / f"{number}", workers) for number, workers in enumerate((1, 2, 1, 2))
    )
    for other in others:
        assert [name for name in SAME if first[name] != other[name]] == []
