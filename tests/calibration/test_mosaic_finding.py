"""The colour mosaic is found blind, a wrong one is noticed, and a mono camera stays mono."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from stacker.calibration.lattices import LatticeGrid
from stacker.calibration.mosaic_finding import compare_lattices, pattern, settle_mosaic
from stacker.calibration.red_or_blue import Verdict, red_or_blue
from stacker.capture import Camera, Capture, Circumstances, open_capture
from stacker.pipeline import process
from stacker.simulation import Air, BandedPlanet, CrateredSurface, Detector, Optics, Scenario, Tracking, simulate
from stacker.simulation.writing import write_capture

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def scenario(mosaic: str | None, scene: Any = None, zenith_distance_deg: float = 30.0, **camera: Any) -> Scenario:
    wavelength_nm = 535.0 if mosaic else 600.0
    return Scenario(
        scene=scene or BandedPlanet(),
        frames=40,
        height_px=96,
        width_px=112,
        detector=Detector(mosaic=mosaic, wavelength_nm=wavelength_nm, **camera),
        optics=Optics(focal_length_mm=3 * 250 * 3 / (wavelength_nm * 1e-3)),
        air=Air(zenith_distance_deg=zenith_distance_deg, psf_grid=2),
        tracking=Tracking(jitter_px=0.5),
    )


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return a maker of captures on disk that do not name their mosaic."""
    folder = tmp_path_factory.mktemp("blind")

    @cache
    def make(mosaic: str | None) -> Path:
        path = folder / f"{mosaic}.avi"
        return write_capture(path, simulate(scenario(mosaic, colour_response=(0.7, 1.0, 0.6)), 4), kind="avi", bits=8)

    return make


def opened(path: Path, mosaic: str | None = None) -> Capture:
    capture = open_capture(path, Circumstances(camera=Camera(mosaic=mosaic)) if mosaic else None)
    settle_mosaic(capture)
    return capture


@pytest.mark.parametrize("mosaic", PATTERNS)
def test_each_pattern_is_found_blind_and_told(recorded: Any, mosaic: str) -> None:
    with opened(recorded(mosaic)) as capture:
        assert capture.mosaic == mosaic
        assert any(note.startswith(f"colour mosaic {mosaic} found from the frames") for note in capture.notes)


def test_a_mono_camera_stays_mono(recorded: Any) -> None:
    with opened(recorded(None)) as capture:
        assert capture.mosaic is None and capture.notes == ()


@pytest.mark.parametrize(
    ("declared", "words"),
    [
        ("GRBG", "declared mosaic GRBG does not fit the frames, whose green pixels lie as in RGGB or BGGR"),
        ("BGGR", "declared mosaic BGGR seems to have red and blue exchanged: the frames fit RGGB"),
        ("RGGB", ""),
    ],
)
def test_a_wrong_forced_pattern_is_kept_and_said(recorded: Any, declared: str, words: str) -> None:
    with opened(recorded("RGGB"), declared) as capture:
        assert capture.mosaic == declared
        assert (words in " ".join(capture.notes)) if words else capture.notes == ()


@pytest.mark.parametrize(
    ("log_odds", "words"),
    [
        (5.0, ""),
        (0.5, ""),
        (-0.5, ""),
        (
            -2.0,
            "cannot tell whether the declared mosaic RGGB has red and blue exchanged, but BGGR fits them better (7 to",
        ),
        (-4.0, "the declared mosaic RGGB seems to have red and blue exchanged: the frames fit BGGR"),
    ],
)
def test_doubt_about_red_and_blue_is_told_for_what_it_is(
    recorded: Any, monkeypatch: pytest.MonkeyPatch, log_odds: float, words: str
) -> None:
    """Odds beyond 20 to 1 are told as a finding, beyond 3 to 1 as a doubt, and less, or in favour, not at all."""
    monkeypatch.setattr("stacker.calibration.mosaic_finding.red_or_blue", lambda *_: Verdict(log_odds, {}))
    with opened(recorded("RGGB"), "RGGB") as capture:
        assert (words in " ".join(capture.notes)) if words else capture.notes == ()


def test_a_mosaic_forced_on_a_mono_camera_is_said(recorded: Any) -> None:
    with opened(recorded(None), "RGGB") as capture:
        assert "does not show in the frames: the camera seems to be mono" in " ".join(capture.notes)


def test_a_run_makes_a_colour_picture_of_a_file_that_does_not_say(recorded: Any, tmp_path: Path) -> None:
    """From the outside: no option, no sidecar, three planes and the finding under remarks."""
    run = process(recorded("GBRG"), tmp_path, workers=1)
    assert "colour mosaic GBRG found from the frames" in run.metrics["notes"]["remarks"]
    from astropy.io import fits

    assert fits.getheader(run.folder / "stack.fits")["NAXIS3"] == 3


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_red_is_told_from_blue_on_a_gray_target_without_dispersion(seed: int) -> None:
    """By the air alone: r0 grows as lambda^(6/5) (Fried 1966, JOSA 56, 1372), brightness tells nothing here."""
    made = replace(scenario("GRBG", CrateredSurface(), 0.0, colour_response=(0.7, 1.0, 0.7)), frames=90)
    grid = LatticeGrid.over(96, 112)
    spectra = np.array([grid.spectra(frame) for frame in simulate(made, seed)])
    verdict = red_or_blue(spectra, (0, 3), (1, 2), grid)
    assert abs(verdict.parts["brightness"]) < 1 and verdict.parts["dispersion"] == 0
    assert verdict.log_odds > 0


def noise_frames(change: Any) -> np.ndarray:
    """Frames of a smooth mono scene with noise, changed."""
    rng = np.random.default_rng(8)
    rows, columns = np.mgrid[:128, :128]
    scene = 800 + 300 * np.sin(rows / 9) * np.cos(columns / 7)
    return np.array(
        [np.clip(change(scene + rng.normal(0, 20, scene.shape), rng), 0, 4095) for _ in range(8)], np.uint16
    )


def even_columns(frame: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    frame[:, ::2] *= 1.05
    return frame


def row_offsets(frame: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return frame + rng.normal(0, 40, (128, 1))


def hot_pixels(frame: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    frame[[10, 31, 64, 75], [20, 41, 60, 77]] = 4000
    return frame


@pytest.mark.parametrize("change", [even_columns, row_offsets, hot_pixels])
def test_faults_of_a_mono_camera_are_no_mosaic(change: Any) -> None:
    """An amplifier for every other column, rows with offsets of their own, hot pixels on one diagonal's lattices."""
    grid = LatticeGrid.over(128, 128)
    spectra = np.array([grid.spectra(frame) for frame in noise_frames(change)])
    assert compare_lattices(spectra, grid).green is None


def test_many_frames_are_compared_in_little_memory(tmp_path: Path) -> None:
    """Of 96 frames only the modes that count are kept: less than the frames themselves, counted by tracemalloc."""
    rng = np.random.default_rng(7)
    scene = gaussian_filter(rng.normal(0, 1, (256, 256)), 4) * 2000 + 1000
    colours = np.tile([[0.7, 1.0], [1.0, 0.6]], (128, 128))
    frames = [(scene * colours + rng.normal(0, 20, scene.shape)).clip(0, 4095).astype(np.uint16) for _ in range(96)]
    with open_capture(write_capture(tmp_path / "many.fits", frames, kind="fits", bits=12)) as capture:
        tracemalloc.start()
        settle_mosaic(capture)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert capture.mosaic is not None
    assert peak < sum(frame.nbytes for frame in frames)


def test_patterns_are_named_row_by_row() -> None:
    red_first, blue_first = Verdict(4.0, {}), Verdict(-4.0, {})
    assert [pattern(green, odds) for green in ((1, 2), (0, 3)) for odds in (red_first, blue_first)] == list(PATTERNS)


def test_small_and_coloured_frames_are_let_be(tmp_path: Path) -> None:
    small = write_capture(tmp_path / "s.avi", [np.zeros((30, 30), np.uint8)] * 3, kind="avi", bits=8)
    colour = write_capture(tmp_path / "c.avi", [np.zeros((64, 64, 3), np.uint8)] * 3, kind="avi-colour", bits=8)
    blank = write_capture(tmp_path / "b.avi", [np.zeros((64, 64), np.uint8)] * 3, kind="avi", bits=8)
    for path in (small, colour, blank):
        with opened(path) as capture:
            assert capture.mosaic is None and capture.notes == ()
