"""The simulated air and telescope against published statistics of turbulence and closed forms of diffraction."""

from __future__ import annotations

import aotools
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import gamma, kv

from stacker.simulation.atmosphere import Atmosphere
from stacker.simulation.optics import diffraction_mtf, make_pupil, point_spread, remove_tilt
from stacker.simulation.scenario import Air, Layer
from stacker.simulation.screens import draw_screen

Array = NDArray[np.float64]

APERTURE_M = 0.25
NO_ABERRATION = (0.0, 0.0, 0.0, 0.0)

# Noll 1976, JOSA 66, 207, table IV: residual variance in rad^2 for D/r0 = 1 after the first J modes, J = 1..10.
NOLL_RESIDUALS = (1.0299, 0.582, 0.134, 0.111, 0.0880, 0.0648, 0.0587, 0.0525, 0.0463, 0.0401)


def whole_screen(seed: int, size: int, spacing_m: float, outer_scale_m: float, octaves: int) -> Array:
    """A screen with its long waves, for a Fried parameter of 1 m."""
    screen, _ = draw_screen(np.random.default_rng(seed), size, spacing_m, outer_scale_m, octaves)
    y, x = np.meshgrid(np.arange(size) * spacing_m, np.arange(size) * spacing_m, indexing="ij")
    return screen.sheet.astype(float) + screen.waves_at(y, x)


def structure_function(phase: Array, lag: int) -> float:
    """Mean squared difference over `lag` samples along both axes."""
    along_y, along_x = phase[lag:] - phase[:-lag], phase[:, lag:] - phase[:, :-lag]
    return float(0.5 * ((along_y**2).mean() + (along_x**2).mean()))


def von_karman_structure(distance_m: float, outer_scale_m: float) -> float:
    """Phase structure function for r0 = 1 m (Conan 2000, thesis, and Tokovinin 2002, PASP 114, 1156, from memory)."""
    x = 2 * np.pi * distance_m / outer_scale_m
    constant = 2 ** (1 / 6) * gamma(11 / 6) / np.pi ** (8 / 3) * (24 / 5 * gamma(6 / 5)) ** (5 / 6)
    return float(outer_scale_m ** (5 / 3) * constant * (gamma(5 / 6) / 2 ** (1 / 6) - x ** (5 / 6) * kv(5 / 6, x)))


def test_structure_function_follows_the_five_thirds_law() -> None:
    """D(r) = 6.88 (r / r0)^(5/3) (Fried 1966, JOSA 56, 1372) where the outer scale is far away.

    6 %: 40 screens, each with its own few long waves, scatter by 10 to 15 %.
    """
    spacing_m = 1 / 64
    screens = [whole_screen(seed, 192, spacing_m, 1e5, octaves=9) for seed in range(40)]
    for lag in (2, 4, 8, 16):
        measured = np.mean([structure_function(screen, lag) for screen in screens])
        assert measured == pytest.approx(6.88 * (lag * spacing_m) ** (5 / 3), rel=0.06)


def test_structure_function_bends_at_the_outer_scale() -> None:
    """The von Karman form at L0 = 20 m, where the five-thirds law is up to 40 % too high."""
    spacing_m = 1 / 32
    screens = [whole_screen(seed, 512, spacing_m, 20.0, octaves=4) for seed in range(16)]
    for lag in (4, 16, 64):
        measured = np.mean([structure_function(screen, lag) for screen in screens])
        assert measured == pytest.approx(von_karman_structure(lag * spacing_m, 20.0), rel=0.08)


def test_screens_agree_with_aotools() -> None:
    """The same mean structure function as aotools' screens with subharmonics at L0 = 20 m, within 8 % of each."""
    spacing_m, size, count = 1 / 32, 256, 20
    ours = [whole_screen(100 + seed, size, spacing_m, 20.0, octaves=3) for seed in range(count)]
    theirs = [
        aotools.turbulence.phasescreen.ft_sh_phase_screen(1.0, size, spacing_m, 20.0, 1e-4, seed=seed)
        for seed in range(count)
    ]
    for lag in (4, 8, 16):
        mine, other = (np.mean([structure_function(s, lag) for s in screens]) for screens in (ours, theirs))
        assert mine == pytest.approx(other, rel=0.12)


@pytest.fixture(scope="module")
def pupil_phases() -> tuple[Array, Array]:
    """Phases (5760, K) over neighbouring pupils of 32 samples for D/r0 = 1, and which samples are inside."""
    size = 256
    windows = []
    for seed in range(90):
        phase = whole_screen(1000 + seed, size, APERTURE_M / 32, 1e5, octaves=9) * APERTURE_M ** (-5 / 6)
        blocks = phase.reshape(size // 32, 32, size // 32, 32).swapaxes(1, 2).reshape(-1, 32, 32)
        windows.append(blocks)
    axis = (np.arange(32) - 15.5) / 16
    inside = np.hypot(*np.meshgrid(axis, axis)) <= 1
    return np.concatenate(windows)[:, inside], inside


def test_noll_residuals(pupil_phases: tuple[Array, Array]) -> None:
    """Variance left after the first J Zernike modes (Noll 1976, table IV), modes by aotools.

    8 % for J = 1, 2 (few independent tilts), 3 % above; 0.0005 for the scales that 32 samples miss.
    """
    phases, inside = pupil_phases
    modes = aotools.zernikeArray(10, 32)[:, inside]
    for index, expected in enumerate(NOLL_RESIDUALS):
        basis = modes[: index + 1]
        fit = np.linalg.lstsq(basis.T, phases.T, rcond=None)[0]
        residual = ((phases - fit.T @ basis) ** 2).mean()
        assert residual == pytest.approx(expected, rel=0.08 if index < 2 else 0.03, abs=0.0005), f"J = {index + 1}"


@pytest.mark.parametrize(("ratio", "odds", "scatter"), [(4, 0.327, 0.035), (5, 0.0915, 0.018), (6, 0.0175, 0.008)])
def test_odds_of_a_lucky_frame(pupil_phases: tuple[Array, Array], ratio: float, odds: float, scatter: float) -> None:
    """Share of frames with tilt-removed variance below 1 rad^2: 1 of 11 at D/r0 = 5.

    Fried 1978, JOSA 68, 1651, has 0.334, 0.094 and 0.0192 (memory); random wavefronts with Noll's covariance give
    0.327, 0.091 and 0.017; his fit 5.6 exp(-0.1557 (D/r0)^2), 0.114 at 5, is no better than that.
    """
    phases, inside = pupil_phases
    axis = (np.arange(32) - 15.5) / 16
    y, x = np.meshgrid(axis, axis, indexing="ij")
    basis = np.stack([np.ones(inside.sum()), y[inside], x[inside]])
    fit = np.linalg.lstsq(basis.T, phases.T, rcond=None)[0]
    variance = ((phases - fit.T @ basis) ** 2).mean(1) * ratio ** (5 / 3)
    assert (variance < 1).mean() == pytest.approx(odds, abs=scatter)


def tilts(outer_scale_m: float, separation_m: Array, draws: int) -> Array:
    """Slopes (draws x places, points, 2) in rad of angle x D / lambda at D/r0 = 1, one layer, at points apart."""
    air = Air(outer_scale_m=outer_scale_m, layers=(Layer(1000.0, 1.0, 100.0, 37.0),))
    found = []
    for seed in range(draws):
        atmosphere = Atmosphere(np.random.default_rng(seed), air, APERTURE_M, 0.0, APERTURE_M / 16)
        times = np.linspace(0, 100, 700)
        found += [atmosphere.slope(separation_m / 1000.0, time) for time in times]
    return np.array(found) * APERTURE_M / (2 * np.pi)


def test_image_motion() -> None:
    """Zernike tilt of one axis: 0.182 (lambda/D)^2 (D/r0)^(5/3), lessened by the outer scale.

    0.182 = 4 (0.449 / pi^2): Noll's 0.449 rad^2. Outer scale: 1 - 1.42 (D/L0)^(1/3) + 3.70 (D/L0)^2 - 4.01 (D/L0)^(7/3)
    (Sasiela 1994, Electromagnetic Wave Propagation in Turbulence, memory). 12 %: a sheet holds some 60 tilts.
    """
    ratio = APERTURE_M / 20.0
    lessened = 1 - 1.42 * ratio ** (1 / 3) + 3.70 * ratio**2 - 4.01 * ratio ** (7 / 3)
    measured = (tilts(20.0, np.zeros((1, 2)), draws=10) ** 2).mean()
    assert measured == pytest.approx(0.182 * lessened, rel=0.12)


@pytest.mark.parametrize("base", [1.0, 2.0])
def test_differential_motion(base: float) -> None:
    """Two directions whose beams are b apertures apart (Tokovinin 2002, PASP 114, 1156, equation 8, Zernike tilt).

    K_l = 0.364 (1 - 0.532 b^-1/3 - 0.024 b^-7/3), K_t = 0.364 (1 - 0.798 b^-1/3 + 0.018 b^-7/3).
    """
    apart = tilts(500.0, np.array([[0.0, 0.0], [0.0, base * APERTURE_M]]), draws=4)
    variance = ((apart[:, 1] - apart[:, 0]) ** 2).mean(0)
    longitudinal = 0.364 * (1 - 0.532 * base ** (-1 / 3) - 0.024 * base ** (-7 / 3))
    transverse = 0.364 * (1 - 0.798 * base ** (-1 / 3) + 0.018 * base ** (-7 / 3))
    np.testing.assert_allclose(variance, [transverse, longitudinal], rtol=0.08)


@pytest.mark.parametrize(("base", "along", "across"), [(0.25, 0.0269, 0.0094), (0.5, 0.0831, 0.0319)])
def test_differential_motion_of_beams_that_overlap(base: float, along: float, across: float) -> None:
    """Zernike tilt integrated over the Kolmogorov spectrum, below one aperture, where Tokovinin's fit does not hold."""
    apart = tilts(500.0, np.array([[0.0, 0.0], [0.0, base * APERTURE_M]]), draws=4)
    variance = ((apart[:, 1] - apart[:, 0]) ** 2).mean(0)
    np.testing.assert_allclose(variance, [across, along], rtol=0.12)


def test_motion_decorrelates_with_height() -> None:
    """A layer at the ground moves the whole field alike; the higher a layer, the more two stars move apart."""
    field = np.array([[0.0, 0.0], [0.0, 1e-4]])
    variances = []
    for height_m in (0.0, 1000.0, 4000.0):
        air = Air(layers=(Layer(height_m, 1.0, 10.0, 0.0),))
        atmosphere = Atmosphere(np.random.default_rng(5), air, APERTURE_M, 0.0, APERTURE_M / 16)
        slopes = np.array([atmosphere.slope(field, time) for time in np.linspace(0, 60, 400)])
        variances.append(((slopes[:, 1] - slopes[:, 0]) ** 2).mean())
    assert variances[0] == 0.0
    # b = 0.4 and 1.6: K_l + K_t = 0.08 and 0.31 by numerical integration (0.115 at b = 0.5, 0.304 at 1.5).
    assert variances[2] / variances[1] == pytest.approx(3.9, rel=0.25)


def clear_psf(sampling_px: float = 4.0, size: int = 512, obstruction_m: float = 0.0) -> Array:
    pupil = make_pupil(APERTURE_M, obstruction_m, sampling_px, size, NO_ABERRATION)
    return point_spread(np.zeros((1, *pupil.amplitude.shape), np.float32), pupil)[0].astype(float)


def test_modulation_transfer_of_a_clear_pupil() -> None:
    """2/pi (acos x - x sqrt(1 - x^2)): 0.6850, 0.3910, 0.1443 at x = 1/4, 1/2, 3/4, nothing beyond (textbooks)."""
    transfer = np.abs(np.fft.fft2(clear_psf()))[0]
    cutoff = 512 // 4
    np.testing.assert_allclose(transfer[[32, 64, 96]], [0.6850, 0.3910, 0.1443], atol=0.001)
    assert transfer[cutoff + 2 : 512 - cutoff - 1].max() < 1e-6
    np.testing.assert_allclose(
        diffraction_mtf(np.array([0.25, 0.5, 0.75, 1.0, 1.5])), [0.6850, 0.3910, 0.1443, 0, 0], atol=1e-4
    )


def test_airy_pattern() -> None:
    """First dark ring at 1.22 lambda/D with 83.8 % of the light inside (Born & Wolf, section 8.5.2)."""
    sampling_px = 8.0
    psf = np.fft.fftshift(clear_psf(sampling_px, 1024))
    profile = psf[512, 512 : 512 + 16]
    assert np.argmin(profile) / sampling_px == pytest.approx(1.22, abs=0.07)
    radius = np.hypot(*(np.indices(psf.shape) - 512))
    assert psf[radius <= 1.22 * sampling_px].sum() == pytest.approx(0.838, abs=0.01)
    assert psf.sum() == pytest.approx(1.0, abs=1e-5)


def test_strehl_ratio_of_defocus() -> None:
    """(sin(pi W) / (pi W))^2 for W waves peak to valley of defocus over a clear pupil (Born & Wolf, section 8.8)."""
    perfect = clear_psf()[0, 0]
    for waves in (0.1, 0.25, 0.5):
        pupil = make_pupil(APERTURE_M, 0.0, 4.0, 512, (waves, 0.0, 0.0, 0.0))
        psf = point_spread(np.zeros((1, *pupil.amplitude.shape), np.float32), pupil)[0]
        assert psf[0, 0] / perfect == pytest.approx(np.sinc(waves) ** 2, abs=0.004)


def test_a_tilted_wavefront_moves_the_image_and_removing_the_tilt_brings_it_back() -> None:
    """2 pi a of phase over the transform's size is a px towards larger index."""
    pupil = make_pupil(APERTURE_M, 0.08, 4.0, 256, NO_ABERRATION)
    across = 256 / 4.0
    down, right = 3.0, -5.0
    ramp = 2 * np.pi * (down * pupil.y + right * pupil.x) * (across / 2) / 256
    moved = point_spread(ramp[None].astype(np.float32), pupil)[0]
    assert np.unravel_index(moved.argmax(), moved.shape) == (3, 256 - 5)
    still = point_spread(remove_tilt(ramp[None].astype(np.float32), pupil), pupil)[0]
    assert np.unravel_index(still.argmax(), still.shape) == (0, 0)
