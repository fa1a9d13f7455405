"""Each cause on its own, against numbers that are known from outside or from how the capture was made."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.fft

from stacker.capture import Capture, Circumstances, open_capture
from stacker.capture.circumstances import Camera, Telescope
from stacker.measuring.frame_count import count_frames, with_more_frames
from stacker.measuring.light import Light, measure_light
from stacker.measuring.resolution import Rings, resolution_of
from stacker.measuring.sampling import measure_sampling, pixel_transfer
from stacker.measuring.shortfall import ring_frequency
from stacker.measuring.tracking import measure_tracking
from stacker.measuring.transfers import defocus_transfer
from stacker.ranking import Ranking, rank
from stacker.settings import RankingSettings
from stacker.simulation import (
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    Mishaps,
    Scenario,
    Tracking,
    write_simulation,
)

CAPTURE = Scenario(frames=60, height_px=96, width_px=112, air=Air(d_over_r0=2.0, psf_grid=2), frames_per_s=20.0)


def ranked(folder: Path, scenario: Scenario, seed: int = 5) -> tuple[Capture, Ranking]:
    path, _, _ = write_simulation(folder / "capture.fits", scenario, seed, "fits")
    capture = open_capture(path)
    return capture, rank(capture, RankingSettings())


def test_sampling_tells_the_focal_length_that_fits() -> None:
    """Pixels of 2.9 um want f/10.5 at 550 nm (common practice: N = 2 p / lambda), a Barlow lens of 2.1x at f/5."""
    circumstances = Circumstances(
        wavelength_nm=550.0, telescope=Telescope(None, 200.0, 1000.0), camera=Camera(pixel_um=2.9)
    )
    found = measure_sampling(circumstances)
    assert found is not None
    assert found.fitting_focal_length_mm / 200.0 == pytest.approx(10.5, abs=0.05)
    assert found.factor == pytest.approx(2.1, abs=0.02)
    assert found.px_per_element == pytest.approx(2.0 / 2.1, abs=0.01)
    assert found.lost_band == pytest.approx(1 - (found.px_per_element / 2) ** 2)
    assert measure_sampling(replace(circumstances, camera=Camera())) is None


def test_pixels_average_as_their_squares_do() -> None:
    """Against the transform of a square drawn on a fine grid, over all directions of a ring (Goodman, textbook)."""
    fine = 16
    square = np.zeros((1024, 1024))
    square[:fine, :fine] = 1.0 / fine**2
    power = np.abs(scipy.fft.fft2(square)) ** 2
    f = fine * np.hypot(scipy.fft.fftfreq(1024)[:, None], scipy.fft.fftfreq(1024)[None])
    for frequency in (0.2, 0.45):
        ring = np.abs(f - frequency) < 0.01
        assert pixel_transfer(np.array([frequency]), 1.0)[0] == pytest.approx(np.sqrt(power[ring].mean()), abs=0.003)


def test_a_quarter_wave_of_defocus_keeps_four_fifths_of_the_peak() -> None:
    """Rayleigh's quarter wave leaves a Strehl ratio of 0.81, sinc^2(W / lambda) (Mahajan 1982, JOSA 72, 1258).

    The Strehl ratio is the volume of the transfer over the perfect one's.
    """
    from stacker.sky.optics import diffraction_transfer

    x = ring_frequency()
    perfect = diffraction_transfer(x) * x
    for waves in (0.25, 0.5):
        strehl = float((defocus_transfer(x, waves) * perfect).sum() / perfect.sum())
        assert strehl == pytest.approx(np.sinc(waves) ** 2, abs=0.02)
    assert defocus_transfer(x, 0.0) == pytest.approx(1.0)


@pytest.fixture(scope="module")
def lit(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scenario, Light]:
    scenario = replace(
        CAPTURE,
        detector=Detector(bits=12, peak_electrons=800.0, peak_level=0.5, read_noise_electrons=4.0, offset_adu=60.0),
    )
    capture, ranking = ranked(tmp_path_factory.mktemp("lit"), scenario)
    with capture:
        found = measure_light(capture, ranking)
    assert found is not None
    return scenario, found


def test_light_reads_the_gain_and_the_read_noise_off_the_frames(lit: tuple[Scenario, Light]) -> None:
    """Photon transfer (Janesick, Klaasen & Elliott 1987): the camera's own gain within 15 %, its read noise in 25 %."""
    scenario, found = lit
    gain = scenario.detector.gain_e_per_adu
    assert found.gain_e_per_adu == pytest.approx(gain, rel=0.15)
    assert found.read_noise_adu is not None
    # Quantisation and a little sky add to the reader's noise.
    assert found.read_noise_adu * gain == pytest.approx(np.sqrt(4.0**2 + 1.0 + gain**2 / 12), rel=0.25)
    assert found.electrons is not None
    assert found.snr_frame == pytest.approx(found.electrons / np.sqrt(found.electrons + 17.0), rel=0.15)
    assert found.peak_share is not None and 0.25 < found.peak_share < 0.55


def test_a_shorter_exposure_has_a_lower_level_and_less_signal_to_noise(
    lit: tuple[Scenario, Light], tmp_path: Path
) -> None:
    """A quarter of the light at the same gain: a quarter of the level, about half the signal to noise."""
    scenario, full = lit
    dark = replace(scenario, detector=replace(scenario.detector, peak_electrons=200.0, peak_level=0.125))
    capture, ranking = ranked(tmp_path, dark)
    with capture:
        found = measure_light(capture, ranking)
    assert found is not None
    assert found.level_adu == pytest.approx(full.level_adu / 4, rel=0.05)
    assert 0.35 < found.snr_frame / full.snr_frame < 0.55


def rings(signal: float = 30.0) -> Rings:
    f = (np.arange(40) + 0.5) / 80
    c = 1.0 / (1.0 + (f / 0.05) ** 3 / signal * 8)
    return Rings(f, np.linspace(20, 1500, 40), c, np.ones(40), np.ones(40))


def test_twice_the_frames_double_signal_over_noise() -> None:
    """Unser, Trus & Steven 1987: s = c / (1 - c) grows with the number; back and forth is the same."""
    more = with_more_frames(rings(), 2.0)
    one, two = (ring.correlation / (1 - ring.correlation) for ring in (rings(), more))
    np.testing.assert_allclose(two, 2 * one)
    np.testing.assert_allclose(with_more_frames(more, 0.5).correlation, rings().correlation)


def test_more_frames_resolve_finer_and_fewer_coarser() -> None:
    """The crossing of a power law f^-3 moves by 2^(1/3) when the threshold is far below one, here a little more."""
    found = count_frames(100, np.full(100, 0.01), rings(), 0.5)
    now = resolution_of(rings(), 0.5).half_bit_px
    assert found.twice_resolution_px is not None and found.half_resolution_px is not None and now is not None
    assert found.twice_resolution_px < now < found.half_resolution_px
    assert found.half_resolution_px / now == pytest.approx(2 ** (1 / 3), rel=0.06)
    assert found.effective == pytest.approx(100.0)
    uneven = count_frames(100, np.array([0.5, 0.5, *np.zeros(98)]), None, None)
    assert (uneven.used, uneven.effective, uneven.twice_resolution_px) == (2, pytest.approx(2.0), None)


@pytest.mark.parametrize("scene", [BandedPlanet(), CrateredSurface()])
def test_drift_and_frames_out_of_the_field_are_counted(tmp_path: Path, scene: BandedPlanet | CrateredSurface) -> None:
    """12 px in 59 frames at 20 a second are 4.07 px/s; what the air adds is inside the stated error."""
    drifting = replace(CAPTURE, height_px=128, width_px=144, tracking=Tracking(drift_x_px=12.0))
    capture, ranking = ranked(tmp_path, replace(drifting, scene=scene, mishaps=Mishaps(out_of_field=4)))
    with capture:
        found = measure_tracking(capture, ranking, np.ones((128, 144), np.float32), ranking.target.mask)
    assert found.frames_lost == 4
    assert found.drift_px_per_s is not None and found.drift_px_per_s_error is not None
    assert found.drift_px_per_s == pytest.approx(12 / 59 * 20, abs=max(3 * found.drift_px_per_s_error, 0.25))
    assert found.periodic_s is None


def test_a_periodic_error_and_the_smear_of_each_exposure_are_found(tmp_path: Path) -> None:
    """An amplitude of 8 px once in 1.5 s; rms speed 2 pi 8 / 1.5 / sqrt 2 = 23.7 px/s, in 0.04 s 0.95 px."""
    swing = Tracking(periodic_error_px=8.0, periodic_error_s=1.5)
    capture, ranking = ranked(tmp_path, replace(CAPTURE, frames=120, tracking=swing, exposure_s=0.04))
    with capture:
        found = measure_tracking(capture, ranking, np.ones((96, 112), np.float32), ranking.target.mask)
    assert found.periodic_s == pytest.approx(1.5, rel=0.05)
    assert found.periodic_px == pytest.approx(8.0, rel=0.1)
    # Straight lines through nine frames, 0.4 s, round the swing off.
    assert found.smear_px == pytest.approx(0.95, rel=0.25)
