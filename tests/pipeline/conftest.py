"""Simulated captures run through the whole pipeline once, and how like the truth a picture is."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, shift
from skimage.registration import phase_cross_correlation

from stacker.pipeline import Run, process
from stacker.simulation import Air, CrateredSurface, Mishaps, Scenario, Tracking, write_simulation

Real = NDArray[np.float64]


@dataclass(frozen=True)
class Trial:
    """A simulated capture, what became of it, and the truth."""

    path: Path
    run: Run
    truth: dict[str, Any]
    margin_px: tuple[int, int]
    progress: list[tuple[str, int, int]]

    @property
    def scene(self) -> Real:
        """(H, W, C) the scene through a perfect telescope, on the frame's pixels."""
        down, right = self.margin_px
        return np.asarray(self.truth["truth"][down : -down or None, right : -right or None], float)

    @property
    def frames(self) -> list[dict[str, str]]:
        """Rows of frames.csv."""
        with (self.run.folder / "frames.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def image(self, name: str = "stack.fits") -> Real:
        """(H, W) or (H, W, 3) of an output."""
        data = fits.getdata(self.run.folder / name).astype(float)
        return np.moveaxis(data, 0, -1) if data.ndim == 3 else data


def run_of(folder: Path, name: str, scenario: Scenario, kind: str, seed: int, **options: Any) -> Trial:
    """Simulate a capture and process it."""
    import json

    ending = {"avi": ".avi", "fits": ".fits"}[kind]
    path, _, beside = write_simulation(folder / f"{name}{ending}", scenario, seed, kind)
    with np.load(beside) as stored:
        truth = {key: stored[key] for key in stored.files}
    calls: list[tuple[str, int, int]] = []
    run = process(path, folder / "runs", workers=1, progress=lambda *call: calls.append(call), **options)
    down, right = json.loads(str(truth["meta"]))["margin_px"]
    return Trial(path, run, truth, (down, right), calls)


@pytest.fixture(scope="session")
def surface(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    """Craters in D/r0 = 5, drifting, some frames spoilt."""
    scenario = Scenario(
        scene=CrateredSurface(),
        frames=60,
        height_px=128,
        width_px=144,
        target="model moon",
        air=Air(psf_grid=3),
        mishaps=Mishaps(duplicates=2, torn=2, blank=1),
        tracking=Tracking(drift_x_px=10, jitter_px=0.7),
    )
    return run_of(tmp_path_factory.mktemp("surface"), "surface", scenario, "avi", 1)


@pytest.fixture(scope="session")
def planet(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    """A banded planet that leaves the field for a while."""
    scenario = Scenario(
        frames=60,
        height_px=128,
        width_px=128,
        air=Air(psf_grid=3),
        mishaps=Mishaps(out_of_field=3, duplicates=1, torn=1, blank=1),
        tracking=Tracking(jitter_px=1.0),
    )
    return run_of(tmp_path_factory.mktemp("planet"), "planet", scenario, "fits", 2)


@pytest.fixture(scope="session")
def likeness() -> Callable[[Real, Real], float]:
    """Return what measures how like the truth a picture is: correlation of their details of 2 to 12 px."""

    def detail(image: Real) -> Real:
        return np.asarray(gaussian_filter(image, 1) - gaussian_filter(image, 6))

    def measure(image: Real, scene: Real) -> float:
        window = np.outer(np.hanning(image.shape[0]), np.hanning(image.shape[1]))
        found, wanted = detail(image) * window, detail(scene) * window
        moved = phase_cross_correlation(found, wanted, normalization=None, upsample_factor=20)[0]
        there = shift(detail(scene), moved, order=3, mode="reflect")[16:-16, 16:-16]
        return float(np.corrcoef(detail(image)[16:-16, 16:-16].ravel(), there.ravel())[0, 1])

    return measure
