"""Offsets of rows and columns are taken out where they are real, and nothing else is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.calibration import calibrate
from stacker.calibration.banding import dark_sky, find_bands, measure_bands
from stacker.capture import open_capture
from stacker.simulation import Air, BandedPlanet, CrateredSurface, Detector, Optics, Scenario, Tracking, simulate
from stacker.simulation.writing import write_capture


def scenario(mosaic: str | None = None, scene: Any = None, **camera: Any) -> Scenario:
    wavelength_nm = 535.0 if mosaic else 600.0
    return Scenario(
        scene=scene or BandedPlanet(diameter_of_frame=0.4),
        frames=12,
        height_px=144,
        width_px=160,
        detector=Detector(bits=12, offset_adu=60.0, mosaic=mosaic, wavelength_nm=wavelength_nm, **camera),
        optics=Optics(focal_length_mm=3 * 250 * 3 / (wavelength_nm * 1e-3)),
        air=Air(psf_grid=2),
        tracking=Tracking(drift_x_px=6, jitter_px=0.5),
    )


def written(path: Path, made: Scenario) -> Path:
    return write_capture(path, simulate(made, 6), kind="fits", bits=16, mosaic=made.detector.mosaic)


@pytest.mark.parametrize("mosaic", [None, "GRBG"])
def test_bands_of_rows_and_columns_go_and_the_rest_stays(tmp_path: Path, mosaic: str | None) -> None:
    """Row and column noise of 3 electrons, one and a half times the read noise: more than half of it is gone.

    The same noise streams without bands are the truth. What is slower than a dozen rows of one kind is left to be sky.
    """
    made = scenario(mosaic, row_noise_electrons=3.0, column_noise_electrons=3.0)
    clean = replace(made, detector=replace(made.detector, row_noise_electrons=0.0, column_noise_electrons=0.0))
    wanted = simulate(clean, 6)
    with calibrate(open_capture(written(tmp_path / "a.fits", made))) as capture, open_capture(capture.path) as raw:
        assert capture.provenance["BANDING"][0] == "rows and columns"
        for index in (2, 9):
            truth = wanted.frame(index).astype(float)
            before, after = raw.get_frame(index) - truth, capture.get_frame(index) - truth
            for axis in (0, 1):
                assert np.std(after.mean(axis)) < 0.5 * np.std(before.mean(axis))


@pytest.mark.parametrize("scene", [None, BandedPlanet(), BandedPlanet(diameter_of_frame=0.85, ring=True)])
@pytest.mark.parametrize("bits", [8, 12])
def test_a_sound_camera_is_left_alone(tmp_path: Path, scene: Any, bits: int) -> None:
    """Halo, rings and hot pixels are no bands: the very same capture is handed on."""
    made = scenario(scene=scene)
    made = replace(made, detector=replace(made.detector, bits=bits, hot_share=0.001))
    with open_capture(written(tmp_path / "a.fits", made)) as capture:
        assert find_bands(capture) == (None, ())
        assert calibrate(capture) is capture


@pytest.mark.parametrize("name", ["ambrel.mkv", "ondrel.avi", "tessaly.fits"])
def test_the_demonstration_has_no_bands(checkout: Path, name: str) -> None:
    """Its ringed planet reaches so near the borders that a halo's edge once passed for rows with offsets."""
    with open_capture(checkout / "demo_frames" / name) as capture:
        assert find_bands(capture) == (None, ())


def test_a_target_that_fills_the_frame_has_no_sky(tmp_path: Path) -> None:
    made = scenario(scene=CrateredSurface(), row_noise_electrons=5.0)
    with open_capture(written(tmp_path / "a.fits", made)) as capture:
        assert dark_sky(capture.get_frame(0).astype(np.float32)) is None
        assert find_bands(capture) == (None, ())


def sky_frame(seed: int, smooth: float = 0.0) -> NDArray[np.float32]:
    from scipy.ndimage import gaussian_filter1d

    noise = np.random.default_rng(seed).normal(0, 5, (200, 240))
    noise = gaussian_filter1d(noise, smooth, axis=1) if smooth else noise
    return np.asarray(100 + noise, np.float32)


@pytest.mark.parametrize("smooth", [0.0, 1.5])
def test_noise_alone_has_the_ratio_one_smoothed_or_not(smooth: float) -> None:
    """The mean of 30 frames of 200 rows scatters by 2 %; a codec that smears noise along rows makes no bands."""
    everywhere = np.ones((200, 240), bool)
    ratios = [measure_bands(sky_frame(seed, smooth), everywhere, 1).ratio for seed in range(30)]
    # Taking off the smooth course leaves (1 - 1/11)^2 of the offsets' scatter and of the segments' alike.
    assert np.mean(ratios) == pytest.approx(1, abs=0.12)


def test_known_offsets_are_measured_within_their_errors() -> None:
    rng = np.random.default_rng(4)
    offsets = rng.normal(0, 3, 200)
    bands = measure_bands(sky_frame(1) + offsets.astype(np.float32)[:, None], np.ones((200, 240), bool), 1)
    # The part of the offsets that is slower than the window cannot be told from sky.
    quick = offsets - np.convolve(np.pad(offsets, 5, "reflect"), np.ones(11) / 11, "valid")
    assert np.corrcoef(bands.offset, quick)[0, 1] > 0.97
    assert np.sqrt(bands.variance.mean()) == pytest.approx(5 / np.sqrt(240), rel=0.1)
    assert np.std(offsets - bands.shrunk) < 0.45 * np.std(offsets)
