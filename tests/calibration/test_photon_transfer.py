"""Gain and read noise by photon transfer against the simulated camera's."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from stacker.calibration import calibrate
from stacker.calibration.masters import load_master
from stacker.calibration.noise_samples import degrees_of_freedom, difference_kernel, samples_in_space
from stacker.calibration.photon_transfer import measure_camera, noise_of_masters
from stacker.capture import Camera, CaptureError, Circumstances, open_capture
from stacker.simulation import Air, Detector, Lamp, Optics, Scenario, Tracking, simulate
from stacker.simulation.writing import write_capture

CAMERAS: dict[str, dict[str, Any]] = {
    "deep": {"bits": 12, "peak_electrons": 20000.0, "read_noise_electrons": 5.0},
    "vignetted": {"bits": 12, "peak_electrons": 3000.0, "read_noise_electrons": 2.0, "vignetting": 0.5},
    "colour": {"bits": 14, "peak_electrons": 30000.0, "read_noise_electrons": 8.0, "mosaic": "GRBG"},
    "uneven": {"bits": 12, "peak_electrons": 8000.0, "read_noise_electrons": 3.0, "fixed_pattern_rms": 0.02},
}


def scenario(name: str) -> Scenario:
    camera = Detector(offset_adu=100.0, **CAMERAS[name])
    camera = replace(camera, wavelength_nm=535.0 if camera.mosaic else 600.0)
    focal_length_mm = 3 * 250 * 3 / (camera.wavelength_nm * 1e-3)
    return Scenario(
        frames=16,
        height_px=192,
        width_px=192,
        detector=camera,
        optics=Optics(focal_length_mm=focal_length_mm),
        air=Air(psf_grid=2),
        tracking=Tracking(jitter_px=0.5),
    )


@pytest.mark.parametrize("name", list(CAMERAS))
def test_a_pair_of_flats_and_of_biases_tells_gain_and_read_noise(frames_in: Any, name: str) -> None:
    """Gain within 3 %, read noise within 10 %, and both within four of their own errors (Janesick 2007)."""
    made = scenario(name)
    flat = frames_in("flat", made, 2, lamp=Lamp(0.6, flicker=0.03))
    with open_capture(flat) as flats, open_capture(frames_in("bias", made, 2)) as bias:
        found = measure_camera([flats], bias)
    assert found.gain_e_per_adu == pytest.approx(made.detector.gain_e_per_adu, rel=0.03)
    assert abs(found.gain_e_per_adu - made.detector.gain_e_per_adu) < 4 * found.gain_error
    assert found.read_noise_e == pytest.approx(made.detector.read_noise_electrons, rel=0.1)
    assert abs(found.read_noise_e - made.detector.read_noise_electrons) < 4 * found.read_noise_error + 0.02
    assert (found.source, found.offset_adu) == ("frames in time", pytest.approx(100, abs=0.5))


@pytest.mark.parametrize("name", ["vignetted", "colour", "uneven"])
def test_any_capture_tells_its_gain(tmp_path: Path, name: str) -> None:
    """A planet in turbulent air: within 5 % and four errors; unequal pixels and hot ones do no harm."""
    made = scenario(name)
    path = write_capture(tmp_path / "a.fits", simulate(made, 3), kind="fits", bits=16, mosaic=made.detector.mosaic)
    with open_capture(path) as capture:
        found = measure_camera([capture])
    assert found.gain_e_per_adu == pytest.approx(made.detector.gain_e_per_adu, rel=0.05)
    assert abs(found.gain_e_per_adu - made.detector.gain_e_per_adu) < 4 * found.gain_error
    assert found.source == "frames in space" and np.isnan(found.read_noise_e)


def test_masters_tell_it_too_and_a_run_says_so(frames_in: Any, tmp_path: Path) -> None:
    made = scenario("vignetted")
    flat, bias = frames_in("flat", made, 20), frames_in("bias", made, 20)
    found = noise_of_masters(load_master(flat, "flat"), load_master(bias, "bias"))
    assert found is not None
    assert found.gain_e_per_adu == pytest.approx(made.detector.gain_e_per_adu, rel=0.02)
    assert found.read_noise_e == pytest.approx(2.0, rel=0.05)
    light = write_capture(tmp_path / "light.fits", simulate(replace(made, frames=3), 3), kind="fits", bits=16)
    said = Circumstances(flat=str(flat), bias=str(bias))
    with calibrate(open_capture(light, said)) as capture:
        assert capture.provenance["EGAIN"][0] == pytest.approx(found.gain_e_per_adu, abs=1e-5)
        assert any("by its photon transfer" in note for note in capture.notes)
    known = replace(said, camera=Camera(gain_e_per_adu=1.0))
    with calibrate(open_capture(light, known)) as capture:
        assert "EGAIN" not in capture.provenance


def test_a_capture_that_does_not_say_its_gain_is_asked_itself(tmp_path: Path) -> None:
    """Within 10 % in the header to come; where the sidecar says it, or a codec stands between, nothing is measured."""
    made = scenario("vignetted")
    path = write_capture(tmp_path / "a.fits", simulate(made, 3), kind="fits", bits=16)
    with calibrate(open_capture(path)) as capture:
        assert capture.provenance["EGAIN"][0] == pytest.approx(made.detector.gain_e_per_adu, rel=0.1)
    with calibrate(open_capture(path, Circumstances(camera=Camera(gain_e_per_adu=1.0)))) as capture:
        assert not capture.provenance
    coded = write_capture(tmp_path / "a.mkv", simulate(made, 3), kind="ffv1", bits=16)
    with calibrate(open_capture(coded)) as capture:
        assert not capture.provenance


@pytest.mark.parametrize("diagonal", [False, True])
def test_white_noise_is_read_true(tmp_path: Path, diagonal: bool) -> None:
    """Variance 400 of unit-free noise within 2 %; its scatter over blocks is that of the degrees of freedom stated."""
    rng = np.random.default_rng(5)
    cube = rng.normal(1000, 20, (16, 192, 192)).round().astype(np.uint16)
    fits.PrimaryHDU(cube).writeto(tmp_path / "noise.fits")
    with open_capture(tmp_path / "noise.fits") as capture:
        capture.mosaic = "RGGB" if diagonal else None
        found = samples_in_space(capture)
    assert found.variance.mean() == pytest.approx(400, rel=0.02)
    freedom = degrees_of_freedom(diagonal)
    assert found.variance.std() / found.variance.mean() == pytest.approx(np.sqrt(2 / freedom), rel=0.15)


@pytest.mark.parametrize("diagonal", [False, True])
def test_the_differences_pass_no_smooth_picture(diagonal: bool) -> None:
    """Any polynomial of degree five along a row or a diagonal is answered by nothing: a sixth difference."""
    kernel = difference_kernel(diagonal).astype(float)
    y, x = np.mgrid[: kernel.shape[0], : kernel.shape[1]] / 4.0
    assert abs(np.sum(kernel * (1 + x**5 - 2 * x**2 * y**3))) < 1e-3 * np.abs(kernel).sum()
    assert np.sum(kernel**2) == pytest.approx(924.0**2)


def test_the_command_tells_people_and_scripts(frames_in: Any, stillair: Any) -> None:
    made = scenario("deep")
    flat, bias = frames_in("flat", made, 4), frames_in("bias", made, 4)
    done = stillair("camera", flat, "--bias", bias)
    assert done.status == 0 and "electrons per ADU" in done.out and "read noise" in done.out
    found = json.loads(stillair("camera", flat, "--bias", bias, "--json").out)
    assert found["gain_e_per_adu"] == pytest.approx(made.detector.gain_e_per_adu, rel=0.03)


def test_what_goes_into_the_sidecar_is_told(frames_in: Any, stillair: Any) -> None:
    """The last line can be copied; the digits of the gain are those that its error leaves."""
    made = scenario("deep")
    last = stillair("camera", frames_in("flat", made, 4), "--bias", frames_in("bias", made, 4)).out.splitlines()[-1]
    assert float(last.partition("gain_e_per_adu = ")[2]) == pytest.approx(made.detector.gain_e_per_adu, rel=0.1)


def test_flats_and_biases_that_are_swapped_are_told(frames_in: Any, stillair: Any) -> None:
    made = scenario("deep")
    done = stillair("camera", frames_in("bias", made, 4), "--bias", frames_in("flat", made, 4))
    assert done.status == 1 and "is darker than the biases" in done.err and done.err.count("\n") == 1


def test_read_noise_below_the_converters_step_is_not_made_up(frames_in: Any, stillair: Any) -> None:
    """2 electrons in steps of 8.4: the bias hardly changes its number, and no formula brings the noise back."""
    made = replace(scenario("deep"), detector=Detector(bits=8, peak_electrons=1500.0))
    flat, bias = frames_in("flat", made, 8), frames_in("bias", made, 8)
    done = stillair("camera", flat, "--bias", bias)
    assert "hidden by the converter's steps" in done.out


def test_what_tells_nothing_is_one_line(tmp_path: Path, stillair: Any) -> None:
    even = np.full((4, 64, 64), 7, np.uint8)
    fits.PrimaryHDU(even).writeto(tmp_path / "even.fits")
    done = stillair("camera", tmp_path / "even.fits")
    assert done.status == 1 and done.err.count("\n") == 1 and "even.fits" in done.err
    with open_capture(tmp_path / "even.fits") as capture, pytest.raises(CaptureError):
        measure_camera([capture])
