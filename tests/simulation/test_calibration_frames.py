"""Darks, flats and biases come from the very camera that recorded the capture."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stacker.capture import open_capture
from stacker.simulation import Air, Detector, EmptySky, Lamp, Scenario, calibration_frames, simulate, write_simulation

CAMERA = Detector(
    bits=12,
    peak_electrons=20000.0,
    vignetting=0.4,
    dust_specks=4,
    glow_electrons=900.0,
    hot_columns=2,
    column_noise_electrons=20.0,
    sky_electrons=0.0,
)
SCENARIO = Scenario(
    scene=EmptySky(), frames=12, height_px=64, width_px=80, detector=CAMERA, air=Air(d_over_r0=0, psf_grid=2)
)


def mean(kind: str, frames: int = 40, **options: object) -> np.ndarray:
    return np.mean(list(calibration_frames(SCENARIO, 3, kind, frames, **options)), axis=0)  # type: ignore[arg-type]


def test_darks_show_what_the_capture_shows_without_a_target() -> None:
    """Two means of the same camera in the dark differ by noise only: sqrt(1/12 + 1/40) of one frame's."""
    dark = mean("dark")
    sky = np.mean(list(simulate(SCENARIO, 3)), axis=0)
    noise = np.sqrt(np.maximum(dark - CAMERA.offset_adu, 1) / CAMERA.gain_e_per_adu + 1)
    difference = (sky - dark) / (noise * np.sqrt(1 / 12 + 1 / 40))
    assert np.abs(difference).mean() < 1.0
    assert dark[-1, -1] - dark[0, 0] > 0.5 * CAMERA.glow_electrons / CAMERA.gain_e_per_adu


def test_charge_in_the_dark_grows_with_the_exposure_and_a_bias_has_none() -> None:
    bias, dark, long = mean("bias"), mean("dark"), mean("dark", exposure_s=3 * SCENARIO.exposure_s)
    unsaturated = long < 0.9 * CAMERA.full_scale_adu
    assert ((long - bias)[unsaturated].mean()) == pytest.approx(3 * (dark - bias)[unsaturated].mean(), rel=0.02)


def test_a_flat_falls_off_to_the_corners_as_the_camera_does() -> None:
    """Vignetting is the loss of light in the corner; median of a few pixels there, dust and dead ones apart."""
    flat = mean("flat", lamp=Lamp(level=0.5)) - mean("dark")
    corner, middle = np.median(flat[:3, :3]), np.median(flat[30:34, 38:42])
    assert corner / middle == pytest.approx(1 - CAMERA.vignetting, abs=0.05)


def test_light_flickers_and_has_a_colour() -> None:
    scenario = replace(SCENARIO, detector=replace(CAMERA, mosaic="RGGB", vignetting=0.0, dust_specks=0))
    frames = list(calibration_frames(scenario, 3, "flat", 30, lamp=Lamp(0.4, 0.05, (0.5, 1.0, 0.8))))
    levels = np.array([np.median(frame) for frame in frames])
    assert 0.025 < levels.std() / levels.mean() < 0.08
    red, green = (np.median(np.mean(frames, 0)[0, offset::2]) - CAMERA.offset_adu for offset in (0, 1))
    assert red / green == pytest.approx(0.5, abs=0.03)


def test_written_beside_the_capture_and_named_in_its_sidecar(tmp_path: Path) -> None:
    path, _, _ = write_simulation(tmp_path / "trial.fits", SCENARIO, 3, "fits", calibration=2)
    with open_capture(path) as capture:
        told = capture.circumstances
    for name, exposure_s in ((told.dark, SCENARIO.exposure_s), (told.flat, SCENARIO.exposure_s), (told.bias, None)):
        with open_capture(Path(name or "")) as frames:
            assert (len(frames), frames.shape) == (2, capture.shape)
            assert frames.circumstances.exposure_s == exposure_s


def test_rows_wander_from_frame_to_frame_and_columns_do_not() -> None:
    camera = replace(CAMERA, row_noise_electrons=60.0, hot_share=0, warm_share=0, hot_columns=0, offset_adu=100.0)
    first, second = calibration_frames(replace(SCENARIO, detector=camera), 3, "bias", 2)
    rows = [frame.astype(float).mean(1) for frame in (first, second)]
    columns = [frame.astype(float).mean(0) for frame in (first, second)]
    assert abs(np.corrcoef(*rows)[0, 1]) < 0.5 and np.corrcoef(*columns)[0, 1] > 0.8
    assert np.std(rows[0]) * camera.gain_e_per_adu == pytest.approx(60.0, rel=0.3)


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="must be one of dark, flat, bias"):
        next(calibration_frames(SCENARIO, 3, "dusk", 1))
