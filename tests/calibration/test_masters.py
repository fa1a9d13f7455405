"""Masters are made once from any kind of frames, and know their own noise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.stats import sigma_clip

from stacker.calibration.averaging import average_frames
from stacker.calibration.cache import cache_folder, make_room
from stacker.calibration.masters import load_master
from stacker.calibration.smoothing import quieten
from stacker.capture import CaptureError, open_capture
from stacker.simulation import Detector, EmptySky, Lamp, Scenario

SCENARIO = Scenario(
    scene=EmptySky(),
    height_px=64,
    width_px=72,
    detector=Detector(bits=12, peak_electrons=8000.0, vignetting=0.4, offset_adu=100.0, read_noise_electrons=6.0),
)


@pytest.mark.parametrize("fmt", ["fits", "png", "fits-folder"])
def test_a_master_is_the_mean_of_its_frames(frames_in: Any, fmt: str) -> None:
    """Whatever holds them; numpy's mean is the referee. Its variance is numpy's scatter over the number of frames."""
    path = frames_in("dark", SCENARIO, 60, fmt=fmt)
    master = load_master(path, "dark")
    with open_capture(path) as capture:
        cube = np.stack([capture.get_frame(i) for i in range(60)]).astype(float)
    np.testing.assert_allclose(master.mean, cube.mean(0), atol=2e-3)
    assert master.variance is not None and master.frames == 60
    np.testing.assert_allclose(master.variance, cube.var(0, ddof=1) / 60, rtol=1e-3, atol=1e-6)


def test_cosmic_hits_are_left_out_as_astropy_does(frames_in: Any) -> None:
    """One frame in 30 with hits of 3000: within 1e-3 of sigma_clip's mean there, and elsewhere untouched."""
    path = frames_in("dark", SCENARIO, 30)
    with fits.open(path, mode="update") as opened:
        cube = opened[0].data
        cube[7, 10:20, 30] += 3000
        opened.flush()
        stored = cube.astype(float)
    master = load_master(path, "dark")
    clipped = sigma_clip(stored[:, 10:20, 30], sigma=8, maxiters=1, cenfunc="median", stdfunc="mad_std", axis=0)
    np.testing.assert_allclose(master.mean[10:20, 30], clipped.mean(0), atol=1e-3)
    assert stored.mean(0)[12, 30] - master.mean[12, 30] > 50


def test_the_lamps_flicker_is_no_noise_of_a_pixel(frames_in: Any) -> None:
    """With 5 % flicker the master's variance is that of photons and reader (Janesick 2007, Photon Transfer): 5 %."""
    path = frames_in("flat", SCENARIO, 50, lamp=Lamp(0.5, flicker=0.05))
    master = load_master(path, "flat")
    gain = SCENARIO.detector.gain_e_per_adu
    assert master.variance is not None
    expected = ((master.mean - 100) / gain + (6 / gain) ** 2 + 1 / 12) / 50
    assert np.median(master.variance) == pytest.approx(np.median(expected), rel=0.05)
    assert 0.03 < master.level_spread < 0.08
    with open_capture(path) as capture:
        plain = np.mean([capture.get_frame(i) for i in range(50)], axis=0)
    np.testing.assert_allclose(master.mean, plain, rtol=2e-3)


def test_masters_are_made_once_and_known_by_content(
    frames_in: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The second time, under another name, no frame is averaged; the numbers are the same to the last bit."""
    monkeypatch.setenv("STILLAIR_CACHE", str(tmp_path / "kept"))
    first = load_master(frames_in("dark", SCENARIO, 12), "dark")
    renamed = (tmp_path / "dark.fits").rename(tmp_path / "other name é.fits")
    monkeypatch.setattr("stacker.calibration.masters.average_frames", None)
    second = load_master(renamed, "dark")
    np.testing.assert_array_equal(first.mean, second.mean)
    np.testing.assert_array_equal(first.variance, second.variance)
    assert (second.frames, second.sha256) == (12, first.sha256)
    with fits.open(next((tmp_path / "kept").glob("*.fits")), checksum=True) as opened:
        opened.verify("exception")
        assert opened[0].header["MASTER"] == "dark" and opened[0].header["NCOMBINE"] == 12
        np.testing.assert_array_equal(opened["VARIANCE"].data, first.variance)


def test_a_damaged_or_forbidden_cache_only_costs_time(
    frames_in: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("STILLAIR_CACHE", str(tmp_path / "kept"))
    path = frames_in("dark", SCENARIO, 12)
    wanted = load_master(path, "dark")
    (kept,) = (tmp_path / "kept").glob("*.fits")
    kept.write_bytes(kept.read_bytes()[:5000])
    np.testing.assert_array_equal(load_master(path, "dark").mean, wanted.mean)
    (tmp_path / "a file").write_text("in the way")
    monkeypatch.setenv("STILLAIR_CACHE", str(tmp_path / "a file"))
    np.testing.assert_array_equal(load_master(path, "dark").mean, wanted.mean)


def test_the_cache_does_not_grow_for_ever(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import os

    monkeypatch.setattr("stacker.calibration.cache.MOST_BYTES", 250)
    for age, name in enumerate(("new", "old", "oldest")):
        (tmp_path / f"{name}.fits").write_bytes(b"x" * 100)
        os.utime(tmp_path / f"{name}.fits", (1e9 - age, 1e9 - age))
    make_room(tmp_path)
    assert sorted(entry.stem for entry in tmp_path.iterdir()) == ["new", "old"]


def test_the_cache_is_where_it_is_asked_for(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("STILLAIR_CACHE", str(tmp_path))
    assert cache_folder() == tmp_path


def test_a_master_file_is_taken_with_its_variance(frames_in: Any, tmp_path: Path) -> None:
    """Written by astropy, with and without the extension; a master of another kind is refused."""
    mean = np.random.default_rng(1).normal(100, 3, (64, 72)).astype(np.float32)
    header = fits.Header({"MASTER": "dark", "NCOMBINE": 40, "EXPTIME": 0.5})
    parts = [fits.PrimaryHDU(mean, header), fits.ImageHDU(np.full_like(mean, 0.25), name="VARIANCE")]
    fits.HDUList(parts).writeto(tmp_path / "with.fits")
    fits.PrimaryHDU(mean).writeto(tmp_path / "without.fits")
    master = load_master(tmp_path / "with.fits", "dark")
    np.testing.assert_array_equal(master.mean, mean)
    assert master.variance is not None and float(master.variance.max()) == 0.25
    assert (master.frames, master.circumstances.exposure_s) == (40, 0.5)
    assert load_master(tmp_path / "without.fits", "flat").variance is None
    with pytest.raises(CaptureError, match="is a master dark, given as flat"):
        load_master(tmp_path / "with.fits", "flat")


def test_smoothing_lowers_noise_and_keeps_structure() -> None:
    """Pure noise loses more than half of its rms; a hot pixel, a column and a dust ring stay within 3 %."""
    rng = np.random.default_rng(2)
    rows, columns = np.mgrid[:96, :96]
    real = 1 - 0.1 * np.exp(-(((np.hypot(rows - 40, columns - 50) - 12) / 2.5) ** 2)) - 0.001 * rows
    real[:, 70] += 0.08
    real[20, 20] += 0.5
    noise = 0.004
    noisy = (real + rng.normal(0, noise, real.shape)).astype(np.float32)
    quiet, variance = quieten(noisy, np.full(real.shape, noise**2, np.float32), 1)
    plain = np.s_[60:90, 5:60]
    assert np.std((quiet - real)[plain]) < 0.5 * noise
    assert variance is not None and np.sqrt(variance[plain].mean()) == pytest.approx(
        np.std((quiet - real)[plain]), rel=0.35
    )
    assert np.abs(quiet - real).max() < 5 * noise
    assert quiet[20, 20] == pytest.approx(noisy[20, 20], abs=1e-6)
    assert np.abs((quiet - real)[:, 70]).mean() < noise
    ring = np.abs(np.hypot(rows - 40, columns - 50) - 12) < 2
    assert np.mean((quiet - real)[ring]) == pytest.approx(0, abs=0.003)


def test_frames_that_are_no_numbers_count_as_nothing(tmp_path: Path) -> None:
    cube = np.full((6, 20, 20), 5, np.float32)
    cube[:, 3, 3] = np.nan
    fits.PrimaryHDU(cube).writeto(tmp_path / "nan.fits")
    with open_capture(tmp_path / "nan.fits") as capture:
        average = average_frames(capture)
    assert average.mean[3, 3] == 0 and average.mean[4, 4] == 5
