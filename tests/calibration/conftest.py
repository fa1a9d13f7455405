"""A camera with every fault, looking at something still, and its calibration frames."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.capture import Circumstances
from stacker.simulation import (
    Air,
    CrateredSurface,
    Detector,
    Lamp,
    Optics,
    Scenario,
    calibration_frames,
    simulate,
    write_simulation,
)
from stacker.simulation.camera import coloured, expected_electrons, through_mosaic
from stacker.simulation.writing import write_capture, write_sidecar

FAULTS: dict[str, Any] = {
    "dust_specks": 30,
    "hot_columns": 3,
    "glow_electrons": 1500.0,
    "fixed_pattern_rms": 0.01,
}
SOUND = dict.fromkeys(
    ("vignetting", "glow_electrons", "fixed_pattern_rms", "hot_share", "warm_share", "dead_share"), 0.0
)


@dataclass(frozen=True)
class Faulty:
    """A written capture of a still surface, and what a camera without faults counts there, free of noise."""

    path: Path
    scenario: Scenario
    seed: int
    truth: NDArray[np.float64]
    """(H, W), numbers above the camera's offset."""

    @property
    def sound_camera(self) -> Detector:
        """Return the same camera without its faults."""
        return sound(self.scenario.detector)


def sound(detector: Detector) -> Detector:
    """Return a camera without its faults."""
    return replace(detector, **SOUND, dust_specks=0, hot_columns=0)


def still(frames: int = 60, **camera: Any) -> Scenario:
    """Return a still, sharp surface under 12 bits and 20000 electrons."""
    detector = Detector(
        bits=12, peak_electrons=20000.0, peak_level=0.6, read_noise_electrons=5.0, offset_adu=60.0, **camera
    )
    return Scenario(
        scene=CrateredSurface(),
        frames=frames,
        height_px=96,
        width_px=112,
        detector=detector,
        air=Air(d_over_r0=0.0, psf_grid=2),
        optics=Optics(focal_length_mm=4300.0),
    )


def clean_truth(scenario: Scenario, seed: int) -> NDArray[np.float64]:
    """Return the numbers (H, W) above the offset that the camera would count without faults and noise."""
    clean = replace(scenario, detector=sound(scenario.detector))
    capture = simulate(clean, seed)
    brightness, _ = capture._brightness(0)
    raw = through_mosaic(coloured(brightness, clean.detector), clean.detector.mosaic)
    return np.squeeze(expected_electrons(capture.sensor, raw, 1.0)).astype(float) / clean.detector.gain_e_per_adu


@pytest.fixture(scope="session")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return a maker of faulty captures with 80 darks, flats and biases beside them."""

    @cache
    def make(vignetting: float, mosaic: str | None = None) -> Faulty:
        scenario = still(vignetting=vignetting, mosaic=mosaic, **FAULTS)
        folder = tmp_path_factory.mktemp("faulty")
        path, _, _ = write_simulation(folder / "still.fits", scenario, 5, "fits", calibration=80)
        return Faulty(path, scenario, 5, clean_truth(scenario, 5))

    return make


@pytest.fixture
def frames_in(tmp_path: Path) -> Any:
    """Return a writer of calibration frames: kind, scenario, number, then exposure, lamp, kind of file, sidecar."""

    def write(
        kind: str,
        scenario: Scenario,
        frames: int = 8,
        *,
        seed: int = 5,
        exposure_s: float | None = None,
        lamp: Lamp | None = None,
        fmt: str = "fits",
        name: str | None = None,
        told: Circumstances | None = None,
    ) -> Path:
        path = tmp_path / (name or (kind if fmt in ("png", "fits-folder") else f"{kind}.fits"))
        made = calibration_frames(scenario, seed, kind, frames, exposure_s, lamp)
        write_capture(path, made, kind=fmt, bits=scenario.detector.bits, mosaic=scenario.detector.mosaic)
        if told is not None:
            write_sidecar(path, told)
        return path

    return write
