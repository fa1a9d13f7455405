"""Frames through a faulty camera come back as a sound camera would have counted them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from astropy.io import fits

from stacker.alignment import align
from stacker.calibration import calibrate
from stacker.calibration.corrected import CorrectedCapture
from stacker.capture import Camera, Capture, CaptureError, Circumstances, open_capture
from stacker.pipeline import process
from stacker.ranking import rank
from stacker.settings import RankingSettings
from stacker.simulation import Lamp, Tracking, write_simulation
from stacker.stacking import stack

EDGE = 4


def mean_of(capture: Capture) -> np.ndarray:
    return np.mean([capture.get_frame(i).astype(float) for i in range(len(capture))], axis=0)


@pytest.mark.parametrize(("vignetting", "mosaic"), [(0.02, None), (0.1, "GRBG"), (0.5, None), (0.5, "RGGB")])
def test_shading_dust_columns_and_glow_come_out(faulty: Any, vignetting: float, mosaic: str | None) -> None:
    """Within 0.5 % of the clean truth in fields of 8x8 pixels, and pixel by pixel as far as the photons allow.

    The scale is free: the mean of the flat is 1, so vignetting dims all by its mean. Noise of 60 frames of some 20000
    electrons is 0.1 % a pixel, of 80 flats likewise.
    """
    case = faulty(vignetting, mosaic)
    with calibrate(open_capture(case.path)) as capture:
        assert isinstance(capture, CorrectedCapture)
        mean = mean_of(capture)
    inside = np.s_[EDGE:-EDGE, EDGE:-EDGE]
    error = (mean / mean.sum() * case.truth.sum() / case.truth - 1)[inside]
    assert np.abs(cv2.blur(error, (8, 8))).max() < 0.005
    assert np.abs(cv2.blur(error, (8, 8))).std() < 0.001
    electrons = case.truth[inside] * case.scenario.detector.gain_e_per_adu
    # Vignetting and dust take up to two thirds of the light where they are.
    assert np.median(np.abs(error) * np.sqrt(electrons * 35)) < 1.5
    with open_capture(case.path) as raw:
        assert np.abs(mean_of(raw) / mean_of(raw).mean() * case.truth.mean() / case.truth - 1).max() > 0.1


def test_a_drifting_stack_comes_back_too(faulty: Any, tmp_path: Path) -> None:
    """The whole way to the stack, drift and mended pixels included: fields of 8x8 px within 0.5 % of a sound camera's.

    Both are stacked by the geometry of the sound one, so that nothing but the camera differs.
    """
    case = faulty(0.5)
    drifting = replace(case.scenario, frames=40, tracking=Tracking(drift_x_px=10, drift_y_px=6))
    sound = replace(drifting, detector=replace(case.sound_camera, offset_adu=0.0))
    path, _, _ = write_simulation(tmp_path / "faulty.fits", drifting, 5, "fits", calibration=60)
    twin, _, _ = write_simulation(tmp_path / "sound.fits", sound, 5, "fits")
    none = Circumstances(dark="none", flat="none", bias="none")
    with open_capture(twin) as clean, calibrate(open_capture(path)) as found, open_capture(path, none) as raw:
        ranking = rank(clean, RankingSettings())
        alignment = align(clean, ranking, keep=100.0)
        wanted, image, plain = (stack(c, ranking, alignment).image.astype(float) for c in (clean, found, raw))
    inside = np.s_[12:-12, 16:-16]
    fields, before = (
        cv2.blur(((i * wanted[inside].sum() / i[inside].sum()) / wanted - 1)[inside], (8, 8)) for i in (image, plain)
    )
    assert np.abs(fields).max() < 0.005 < 0.05 < np.abs(before).max()


def test_an_evenly_lit_frame_keeps_its_light(frames_in: Any, faulty: Any, tmp_path: Path) -> None:
    """The sum over the frame before and after the flat differs by less than 1e-4, of each colour too: its mean is 1."""
    case = faulty(0.5, "RGGB")
    detector = replace(case.scenario.detector, hot_share=0.0, warm_share=0.0, dead_share=0.0)
    scenario = replace(case.scenario, detector=detector)
    lamp = Lamp(0.5, colour=(0.5, 1.0, 0.7))
    light = frames_in("flat", scenario, 60, lamp=lamp, name="light.fits")
    dark, flat = frames_in("dark", scenario, 60), frames_in("flat", scenario, 60, name="flat.fits", lamp=lamp)
    said = Circumstances(dark=str(dark), flat=str(flat))
    with calibrate(open_capture(light, said)) as capture, open_capture(light) as raw, open_capture(dark) as leak:
        before, after = mean_of(raw) - mean_of(leak), mean_of(capture)
    for row in (0, 1):
        for column in (0, 1):
            ratio = after[row::2, column::2].sum() / before[row::2, column::2].sum()
            # Photons: 1e7 electrons and more of each colour.
            assert ratio == pytest.approx(1, abs=1e-4)


def test_flats_add_no_more_noise_than_theory(frames_in: Any, faulty: Any) -> None:
    """Variance of a corrected frame = (raw variance + I^2 flat variance) / response^2: the propagation of errors."""
    case = faulty(0.5)
    detector = replace(case.scenario.detector, hot_share=0.0, warm_share=0.0, dead_share=0.0, hot_columns=0)
    scenario = replace(case.scenario, detector=detector)
    light = frames_in("flat", scenario, 2, lamp=Lamp(0.5), name="light.fits", seed=5)
    dark, flat = frames_in("dark", scenario, 40), frames_in("flat", scenario, 5, name="flat.fits", lamp=Lamp(0.3))
    # The light is taken from another part of the noise stream than the flats: frames 5 and 6 of it.
    cube = np.stack(list(_later_flats(scenario)))
    fits.PrimaryHDU(cube.astype(np.uint16)).writeto(light, overwrite=True)
    with calibrate(open_capture(light, Circumstances(dark=str(dark), flat=str(flat)))) as capture:
        first, second = (capture.get_frame(i).astype(float) for i in (0, 1))
        assert isinstance(capture, CorrectedCapture) and capture.corrections.factor is not None
        factor, offset = capture.corrections.factor.astype(float), mean_of(open_capture(dark))
    gain, read = detector.gain_e_per_adu, detector.read_noise_electrons
    raw_variance = (cube[0] - detector.offset_adu) / gain + (read / gain) ** 2
    single = np.mean((first - second) ** 2 / 2) / np.mean(raw_variance * factor**2)
    assert single == pytest.approx(1, abs=0.05)
    # Against the truth the flat's noise counts too: 5 flats at 0.3 against one frame at 0.5 of full scale.
    level = np.median(first)
    flat_variance = (level**2) * (1 / (0.3 / 0.6 * 20000 * 5)) * factor
    error = (first - cv2.GaussianBlur(first, (0, 0), 12))[12:-12, 12:-12]
    theory = (raw_variance * factor**2 + flat_variance)[12:-12, 12:-12].mean()
    assert error.var() < 1.08 * theory
    assert offset.shape == first.shape


def _later_flats(scenario: Any) -> Any:
    from stacker.simulation import calibration_frames

    for index, frame in enumerate(calibration_frames(scenario, 5, "flat", 42, lamp=Lamp(0.5))):
        if index >= 40:
            yield frame


def test_without_calibration_frames_the_capture_itself_is_handed_on(faulty: Any) -> None:
    none = Circumstances(dark="none", flat="none", bias="none")
    with open_capture(faulty(0.1).path, none) as capture:
        assert calibrate(capture) is capture


def test_corrected_frames_keep_the_contract_of_a_capture(faulty: Any) -> None:
    """Length, shape, dtype, buffers and order are a reader's; times and circumstances stay what they were."""
    with calibrate(open_capture(faulty(0.1).path)) as capture:
        first = capture.get_frame(3)
        buffer = np.empty(capture.shape, capture.dtype)
        assert capture.get_frame(3, out=buffer) is buffer
        np.testing.assert_array_equal(buffer, first)
        np.testing.assert_array_equal(dict(capture.read([1, 3]))[3], first)
        assert first.dtype == capture.dtype == np.float32 and len(list(capture)) == len(capture) == 60
        assert capture.times_utc is not None and capture.circumstances.exposure_s == 0.008
        with pytest.raises(ValueError, match="out must be"):
            capture.get_frame(0, out=np.empty((3, 3), np.float32))
        with pytest.raises(IndexError):
            capture.get_frame(60)


def test_what_was_saturated_stays_known(frames_in: Any, faulty: Any) -> None:
    """Full scale after correction is a finite level that saturated fields reach and half as bright ones do not."""
    case = faulty(0.1)
    bright = frames_in("flat", case.scenario, 2, lamp=Lamp(1.3), name="bright.fits")
    dark, flat = frames_in("dark", case.scenario), frames_in("flat", case.scenario, name="flat.fits")
    with calibrate(open_capture(bright, Circumstances(dark=str(dark), flat=str(flat)))) as capture:
        frame = capture.get_frame(0)
        assert 2000 < capture.full_scale < 4095
        assert np.mean(frame >= capture.full_scale) > 0.3
    with calibrate(open_capture(flat, Circumstances(dark=str(dark), flat=str(flat)))) as capture:
        assert np.mean(capture.get_frame(0) >= capture.full_scale) < 0.01


def test_a_run_tells_what_was_applied(faulty: Any, tmp_path: Path) -> None:
    """Stack header and remarks name darks and flats, by name, number and digest."""
    case = faulty(0.5)
    run = process(case.path, tmp_path, workers=1)
    header = fits.getheader(run.folder / "stack.fits")
    for word in ("DARK", "FLAT", "BIAS"):
        assert header[f"{word}FILE"] == f"still-{word.lower()}.fits"
        assert header[f"{word}NUM"] == 80 and len(header[f"{word}SHA"]) == 64
    assert "flat of 80 frames taken from still-flat.fits" in run.metrics["notes"]["remarks"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"height_px": 80}, "is 112x80 where the capture is 112x96; record darks with the same part of the sensor"),
        ({"detector": {"bits": 8}}, "is in 8-bit numbers where the capture is in 16-bit numbers"),
        ({"detector": {"mosaic": "BGGR"}}, "is BGGR where the capture is RGGB"),
        ({"told": Circumstances(exposure_s=0.1)}, "was exposed 0.1 s where the capture has 0.008 s; record darks of"),
        ({"told": Circumstances(camera=Camera(bits=14))}, "is 14 bits where the capture is 12 bits"),
        ({"told": Circumstances(camera=Camera(gain_e_per_adu=0.5))}, "is 0.5 electrons per ADU where the capture"),
    ],
)
def test_darks_that_do_not_belong_are_refused_in_one_line(
    frames_in: Any, faulty: Any, change: dict[str, Any], words: str
) -> None:
    case = faulty(0.1, "RGGB")
    changes = {key: value for key, value in change.items() if key not in ("detector", "told")}
    detector = replace(case.scenario.detector, **change.get("detector", {}))
    dark = frames_in("dark", replace(case.scenario, detector=detector, **changes), told=change.get("told"))
    capture = open_capture(case.path, Circumstances(dark=str(dark), flat="none", bias="none"))
    with pytest.raises(CaptureError) as caught:
        calibrate(capture)
    assert words in str(caught.value) and "\n" not in str(caught.value) and str(dark) in str(caught.value)


def test_light_frames_named_as_darks_are_told(frames_in: Any, faulty: Any) -> None:
    """Flats named as darks, as a slip of the keyboard does, and the capture itself; the darks still serve."""
    case = faulty(0.1)
    flat, dark = frames_in("flat", case.scenario, 4, name="flat.fits"), frames_in("dark", case.scenario, 4)
    nothing = Circumstances(dark="none", flat="none", bias="none")
    for said, words in (
        (replace(nothing, dark=str(flat)), "flat.fits: the dark is brighter than the capture: "),
        (replace(nothing, bias=str(flat)), "flat.fits: the bias is brighter than the capture: "),
        (replace(nothing, dark=str(case.path)), "is the capture, given as its dark; name the darks"),
    ):
        with pytest.raises(CaptureError) as caught:
            calibrate(open_capture(case.path, said))
        assert words in str(caught.value) and "\n" not in str(caught.value)
    calibrate(open_capture(case.path, Circumstances(dark=str(dark), flat="none", bias="none"))).close()


def test_darks_of_another_exposure_are_scaled_only_where_it_is_sound(frames_in: Any, faulty: Any) -> None:
    """Dark current is proportional to time at one temperature; the bias is not: 4 times the exposure comes right."""
    case = faulty(0.1)
    cold, warm = (Camera(temperature_c=degrees) for degrees in (-5.0, 3.0))
    dark = frames_in(
        "dark", case.scenario, 60, exposure_s=0.032, told=Circumstances(exposure_s=0.032, camera=cold), name="long.fits"
    )
    same = frames_in("dark", case.scenario, 60, name="same.fits")
    bias = frames_in("bias", case.scenario, 60)
    said = Circumstances(dark=str(dark), bias=str(bias), flat="none", camera=cold)
    with calibrate(open_capture(case.path, said)) as capture, open_capture(same) as frames:
        assert isinstance(capture, CorrectedCapture) and capture.corrections.offset is not None
        wanted, found = mean_of(frames), capture.corrections.offset
        assert any("multiplied by 0.25" in note for note in capture.notes)
    glowing = np.s_[-30:, -30:]
    assert found[glowing].mean() - 60 == pytest.approx(wanted[glowing].mean() - 60, rel=0.02)
    for camera, words in ((warm, "differ by 8.0 C"), (None, "are not both known")):
        with pytest.raises(CaptureError, match=words):
            calibrate(open_capture(case.path, replace(said, camera=camera or Camera())))


@pytest.mark.parametrize(("lamp", "words"), [(Lamp(1.2), "is overexposed"), (Lamp(0.0), "no brighter than its dark")])
def test_a_flat_that_cannot_serve_is_refused(frames_in: Any, faulty: Any, lamp: Lamp, words: str) -> None:
    case = faulty(0.1)
    flat = frames_in("flat", case.scenario, 8, lamp=lamp)
    with pytest.raises(CaptureError, match=words):
        calibrate(open_capture(case.path, Circumstances(flat=str(flat), bias="none")))


def test_a_missing_dark_fails_the_capture_in_one_line(faulty: Any, tmp_path: Path, stillair: Any) -> None:
    done = stillair("process", faulty(0.1).path, "--out", tmp_path / "runs", "--dark", tmp_path / "gone.fits")
    assert done.status == 1 and done.err.count("\n") == 1
    assert "gone.fits: no such file or folder; check the name" in done.err
    assert not (tmp_path / "runs" / "still").exists()
