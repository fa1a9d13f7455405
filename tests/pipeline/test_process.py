"""Whole captures through the whole pipeline: files, frames left out, likeness to the truth, repeatability."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from stacker.capture import CaptureError, open_capture
from stacker.pipeline import process
from stacker.run_folder.place import RUN_FILES
from stacker.settings import AlignmentSettings, RankingSettings, Settings, StackingSettings
from stacker.settings_file import load_settings
from stacker.simulation import Air, Detector, EmptySky, Scenario, write_simulation
from stacker.simulation.writing import write_capture

TRIALS = ["surface", "planet"]


@pytest.fixture(params=TRIALS)
def trial(request: pytest.FixtureRequest) -> Any:
    return request.getfixturevalue(request.param)


def test_every_file_of_the_run_folder_is_there(trial: Any) -> None:
    assert sorted(entry.name for entry in trial.run.folder.iterdir()) == sorted(RUN_FILES)
    assert trial.run.folder.name == trial.path.stem
    assert str(trial.run.folder) in trial.run.summary


def test_spoilt_frames_are_not_used_and_say_why(trial: Any) -> None:
    """No frame that the simulation calls out of the field, torn, blank or a copy is used; of the rest, the sharp."""
    rows = trial.frames
    used = np.array([row["used"] == "1" for row in rows])
    spoilt = trial.truth["out"] | trial.truth["corrupt"] | trial.truth["duplicate"]
    assert len(rows) == 60
    assert spoilt.sum() >= 5
    assert not (used & spoilt).any()
    assert all(row["reason"] for row in np.array(rows)[~used])
    sharpness = np.array([float(row["sharpness"] or "nan") for row in rows])
    dull = np.array([row["reason"] == "less sharp" for row in rows])
    assert (used | dull)[~spoilt].mean() > 0.9
    assert not dull.any() or np.nanmax(sharpness[dull]) < np.nanmedian(sharpness[used])


def plain_mean(trial: Any) -> np.ndarray:
    """Return the mean of all frames that were used, moved by whole pixels by their true shift."""
    total = 0.0
    with open_capture(trial.path) as capture:
        for index, row in enumerate(trial.frames):
            if row["used"] == "1":
                dy, dx = np.rint(trial.truth["shift_px"][index]).astype(int)
                total = total + np.roll(capture.get_frame(index).astype(float), (-dy, -dx), (0, 1))
    return np.asarray(total)


def best_frame(trial: Any) -> np.ndarray:
    """Return the frame of the highest true Strehl ratio among the used ones."""
    used = np.array([row["used"] == "1" for row in trial.frames])
    with open_capture(trial.path) as capture:
        return np.asarray(capture.get_frame(int(np.argmax(np.where(used, trial.truth["strehl"], -1)))), float)


def test_nearer_to_the_truth_than_the_best_frame_and_the_plain_mean(
    trial: Any, likeness: Callable[[np.ndarray, np.ndarray], float]
) -> None:
    """Correlation of detail of 2-12 px with the scene through a perfect telescope, registered by scikit-image."""
    scene = trial.scene.mean(2)
    stacked, best, mean = (likeness(image, scene) for image in (trial.image(), best_frame(trial), plain_mean(trial)))
    assert stacked > best
    assert stacked > mean
    assert 1 - stacked < 0.85 * (1 - mean)


def test_shifts_in_the_table_are_those_of_the_target(trial: Any) -> None:
    """Frame by frame against the simulation's truth, up to a common zero.

    At D/r0 = 5 and 3 px per lambda/D the truth, the mean slope of the wavefront over the aperture, and what any image
    shows, the light's middle, differ by a pixel: sqrt(0.182 - 0.170) (D/r0)^(5/6) lambda/D, the two kinds of tilt of
    Martin 1987 (PASP 99, 1360) and Loefdahl 2010 (A&A 524, A90), constants from memory.
    """
    rows = trial.frames
    used = np.array([row["used"] == "1" for row in rows])
    found = np.array([[float(row["dy_px"]), float(row["dx_px"])] for row in rows if row["used"] == "1"])
    wrong = found - trial.truth["shift_px"][used]
    assert np.std(wrong, axis=0).max() < 0.5 * np.std(trial.truth["shift_px"][used], axis=0).max()
    for axis in (0, 1):
        assert np.corrcoef(found[:, axis], trial.truth["shift_px"][used][:, axis])[0, 1] > 0.8


def images(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in RUN_FILES if name.endswith((".fits", ".tif", ".png", "csv"))}


def test_the_settings_file_gives_the_same_bytes_with_two_workers(surface: Any, tmp_path: Path) -> None:
    """settings.toml fed back: every image and frames.csv byte for byte."""
    stage = surface.run.folder / "settings.toml"
    settings, circumstances = load_settings(stage)
    again = process(surface.path, tmp_path, settings, circumstances, workers=2)
    assert images(again.folder) == images(surface.run.folder)
    assert tomllib.loads(stage.read_text(encoding="utf-8"))["stacking"]["keep"] == "auto"


def test_progress_never_goes_back(trial: Any) -> None:
    """Stages in the order of the pipeline, each counted from 1 to its total."""
    stages = list(dict.fromkeys(name for name, _, _ in trial.progress))
    assert stages == ["ranking", "aligning", "averaging"]
    for stage in stages:
        counts = [(done, total) for name, done, total in trial.progress if name == stage]
        assert [done for done, _ in counts] == sorted({done for done, _ in counts})
        assert counts[-1][0] == counts[-1][1]


def test_metrics_agree_with_the_table_and_the_truth(trial: Any) -> None:
    metrics, rows = trial.run.metrics, trial.frames
    assert metrics["frames_total"] == metrics["frames_readable"] == 60
    assert metrics["frames_used"] == sum(row["used"] == "1" for row in rows)
    assert metrics["snr"] > 2 * metrics["snr_best_frame"]
    assert metrics["resolution_over_diffraction"] == pytest.approx(1.5, abs=0.7)
    assert len(metrics["capture_sha256"]) == 64


def test_noise_alone_shows_no_resolution_beyond_ring_five(tmp_path: Path) -> None:
    """Halves with one reference would agree on noise up to ring 7 (Grigorieff 2000, Acta Cryst. D56, 1270, from
    memory); with their own they agree on nothing: five captures, none finer than a fifth of the frame's side."""
    side = 96
    for seed in range(5):
        rng = np.random.default_rng(seed)
        frames = [np.clip(np.rint(rng.normal(100, 8, (side, side))), 0, 255).astype(np.uint8) for _ in range(32)]
        path = write_capture(tmp_path / f"noise{seed}.avi", frames, kind="avi", bits=8)
        run = process(path, tmp_path / "runs", Settings(ranking=RankingSettings(target="surface")), workers=1)
        assert run.metrics["resolution_px"] is None or run.metrics["resolution_px"] >= side / 5
        stack = fits.getdata(run.folder / "stack.fits")[16:-16, 16:-16]
        # A weighted mean of 32 noises of 8 ADU, whatever the weights, and no picture: nobody's frame stands out.
        assert stack.std() < 4


def test_noise_is_no_target_unless_it_is_called_one(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    frames = [np.clip(np.rint(rng.normal(100, 8, (96, 96))), 0, 255).astype(np.uint8) for _ in range(16)]
    path = write_capture(tmp_path / "noise.avi", frames, kind="avi", bits=8)
    with pytest.raises(CaptureError, match="no target"):
        process(path, tmp_path / "runs")
    assert not (tmp_path / "runs" / "noise").exists()


def test_a_mosaic_planet_comes_out_in_colour_and_its_colours_together(tmp_path: Path) -> None:
    """Raw mosaic, air that spreads the colours along the vertical: what is left is under 0.25 px."""
    from stacker.colour import colour_shifts
    from stacker.stacking.record import Stack

    scenario = Scenario(
        frames=40,
        height_px=112,
        width_px=112,
        air=Air(psf_grid=3, d_over_r0=3, zenith_distance_deg=55),
        detector=Detector(mosaic="RGGB", bits=12),
    )
    path, _, beside = write_simulation(tmp_path / "colour.fits", scenario, 4, "fits")
    run = process(path, tmp_path / "runs", Settings(alignment=AlignmentSettings(effort="quick")), workers=1)
    with fits.open(run.folder / "stack.fits") as file:
        image = np.moveaxis(file[0].data, 0, -1).astype(np.float32)
    assert image.shape == (112, 112, 3)
    with np.load(beside) as truth:
        apart = np.ptp(truth["channel_shift_px"][:, 0])
    assert apart > 1
    green = image[..., 1]
    mask = green > 0.3 * np.percentile(green, 95)
    zero = np.zeros_like(image)
    stack = Stack(image, zero, zero, image, image, mask, "disc", None, np.ones(1))
    for found in colour_shifts(stack):
        assert np.hypot(found.dy_px, found.dx_px) < 0.25


def test_keep_is_a_percentage_of_the_usable_frames(planet: Any, tmp_path: Path) -> None:
    settings = Settings(alignment=AlignmentSettings(effort="quick"), stacking=StackingSettings(keep=50))
    run = process(planet.path, tmp_path, settings, workers=1)
    usable = sum(row["reason"] in ("", "less sharp") for row in planet.frames)
    assert run.metrics["frames_used"] == pytest.approx(usable / 2, abs=1)
    assert run.metrics["keep_percent"] == pytest.approx(50, abs=2)


def test_an_empty_sky_is_no_planet(tmp_path: Path) -> None:
    """Sky and read noise without a hot pixel: nothing is aligned, nothing is written."""
    detector = Detector(sky_electrons=40, hot_share=0, warm_share=0, dead_share=0)
    scenario = Scenario(scene=EmptySky(), frames=20, height_px=96, width_px=96, air=Air(psf_grid=2), detector=detector)
    path, _, _ = write_simulation(tmp_path / "sky.avi", scenario, 5, "avi")
    with pytest.raises(CaptureError, match=r"sky\.avi: no target"):
        process(path, tmp_path / "runs")
