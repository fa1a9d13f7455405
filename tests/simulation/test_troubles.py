"""Captures with one thing wrong: a mount that moves during the exposure, coarse pixels, a planet that turns."""

import argparse
from dataclasses import replace

import numpy as np
import pytest

from stacker.cli import build_parser
from stacker.cli.simulate import scenario_from
from stacker.simulation import Air, BandedPlanet, CrateredSurface, Detector, Scenario, Tracking, simulate

CALM = Scenario(
    scene=CrateredSurface(),
    frames=3,
    height_px=64,
    width_px=96,
    frames_per_s=10.0,
    exposure_s=0.1,
    air=Air(d_over_r0=0.0, psf_grid=2),
    detector=Detector(bits=16, peak_electrons=1e7, read_noise_electrons=0.0, hot_share=0, warm_share=0, dead_share=0),
)


def test_a_drift_within_the_exposure_smears_along_itself() -> None:
    """A smear of 4 px has the transfer sinc(4 f), so it leaves |sinc| of each frequency along it (Bracewell, textbook).

    The run of brightness across the drift keeps its sharpness.
    """
    still = simulate(CALM, 3).frame(1).astype(float)
    # 80 px in 0.2 s and an exposure of 0.01 s make 4 px; the middle frame stands where the still one does.
    moving = replace(CALM, exposure_s=0.01, tracking=Tracking(drift_x_px=80.0))
    smeared = simulate(moving, 3).frame(1).astype(float)
    window = np.outer(np.hanning(64), np.hanning(96))
    f = np.fft.fftfreq(96)[2:20]
    before, after = (np.fft.fft2((image - image.mean()) * window)[:6, 2:20] for image in (still, smeared))
    found = (after * before.conj()).real.sum(0) / (np.abs(before) ** 2).sum(0)
    # The window mixes neighbouring frequencies.
    assert found == pytest.approx(np.sinc(4 * f), abs=0.05)


def test_a_slow_mount_changes_nothing() -> None:
    """Less than a quarter of a pixel during the exposure is taken as still, so usual captures keep their bytes."""
    slow = replace(CALM, exposure_s=0.001, tracking=Tracking(drift_x_px=4.0))
    assert len(simulate(slow, 3).imaging._pointings(1)) == 1


def parsed(*words: str) -> argparse.Namespace:
    return build_parser().parse_args(["simulate", "x.avi", *words])


def test_the_command_makes_each_trouble() -> None:
    """Options reach the scenario; coarse pixels are averaged from optical ones that still hold 2 a lambda/D."""
    coarse = scenario_from(parsed("--sampling-px", "0.9"))
    assert coarse.oversampling == 3
    assert coarse.sampling_px(600.0) == pytest.approx(0.9)
    assert scenario_from(parsed("--sampling-px", "2", "--mosaic", "RGGB")).oversampling == 2
    turning = scenario_from(parsed("--rotation-deg", "6", "--target", "Jupiter", "--level", "1.5"))
    assert isinstance(turning.scene, BandedPlanet)
    assert (turning.scene.rotation_deg, turning.target, turning.detector.peak_level) == (6.0, "Jupiter", 1.5)
    with pytest.raises(ValueError, match="rotate"):
        scenario_from(parsed("--rotation-deg", "6", "--scene", "cratered"))
    swinging = scenario_from(parsed("--periodic-error-px", "5"))
    assert swinging.tracking.periodic_error_px == 5.0
    assert float(np.abs(simulate(replace(swinging, frames=8), 1).course.speed_px_per_s).max()) > 1.0
