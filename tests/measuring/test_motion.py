"""Image motion against series whose motion is known."""

import numpy as np
import pytest

from stacker.measuring.motion import image_motion_px_rms


def _series(rms_px: float, frames: int = 800) -> np.ndarray:
    rng = np.random.default_rng(5)
    return rng.normal(0, rms_px, (frames, 2))


@pytest.mark.parametrize("rms_px", [0.2, 1.0, 3.0])
def test_white_motion_comes_back(rms_px: float) -> None:
    """1600 values: their rms is known to 1.8 %; 3.5 sigma of that, and what the approximation of the median leaves."""
    found, error = image_motion_px_rms(_series(rms_px))
    assert found == pytest.approx(rms_px, rel=0.07)
    assert error == pytest.approx(rms_px / np.sqrt(3200), rel=0.1)


def test_drift_and_jumps_are_the_mounts() -> None:
    moved = _series(1.0)
    still, _ = image_motion_px_rms(moved)
    drift = np.stack([np.linspace(0, 60, 800), np.linspace(0, -30, 800)], axis=1)
    drift[400:] += 25
    assert image_motion_px_rms(moved + drift)[0] == pytest.approx(still, rel=0.05)


def test_the_error_of_the_shifts_is_taken_off() -> None:
    measured = _series(1.0) + np.random.default_rng(6).normal(0, 0.7, (800, 2))
    assert image_motion_px_rms(measured, np.full(800, 0.7))[0] == pytest.approx(1.0, rel=0.08)


def test_three_frames_say_nothing() -> None:
    assert np.isnan(image_motion_px_rms(_series(1.0, 3))).all()
