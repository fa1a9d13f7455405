"""The softness of a limb: edges of known blur, with darkening, noise and flattening."""

import numpy as np
import pytest
import scipy.fft
from numpy.typing import NDArray

from stacker.measuring.limb_transfer import LimbTransfer, measure_limb
from stacker.simulation import Air, BandedPlanet, Scenario, TexturedDisc, simulate
from stacker.sky.optics import diffraction_transfer

Real = NDArray[np.float64]
SIZE, RADIUS, FINE = 240, 80.0, 4


def disc(power: float = 0.0, flattening: float = 0.0) -> tuple[Real, NDArray[np.bool_]]:
    """Return a disc of brightness mu^power, 1 in the middle, drawn four times finer; its mask on the pixels."""
    y, x = (np.mgrid[: SIZE * FINE, : SIZE * FINE] + 0.5) / FINE - SIZE / 2 - 0.3
    squared = (x / RADIUS) ** 2 + (y / (RADIUS * (1 - flattening))) ** 2
    bright = np.where(squared < 1, np.clip(1 - squared, 1e-9, 1) ** (power / 2), 0.0)
    return bright, squared.reshape(SIZE, FINE, SIZE, FINE).mean((1, 3)) < 1


def seen_through(bright: Real, transfer: Real, noise: float = 0.0, seed: int = 1) -> NDArray[np.float32]:
    """Return the disc through a transfer on the fine grid, one fine sample a pixel: no pixel blurs it."""
    image = scipy.fft.irfft2(scipy.fft.rfft2(bright) * transfer, bright.shape)[FINE // 2 :: FINE, FINE // 2 :: FINE]
    return (image + noise * np.random.default_rng(seed).standard_normal(image.shape)).astype(np.float32)


def frequencies(height: int, width: int) -> Real:
    """Return the frequency of each mode of the half plane in cycles per pixel."""
    return np.asarray(np.hypot(scipy.fft.fftfreq(height)[:, None], scipy.fft.rfftfreq(width)[None]), float)


def fine_frequency() -> Real:
    """Return the frequency of each fine mode in cycles per pixel."""
    return FINE * frequencies(SIZE * FINE, SIZE * FINE)


def measured(image: NDArray[np.float32], mask: NDArray[np.bool_]) -> LimbTransfer:
    found = measure_limb(image, mask)
    assert found is not None
    return found


@pytest.mark.parametrize("sigma", [1.5, 2.5])
@pytest.mark.parametrize(("power", "flattening"), [(0.0, 0.0), (0.6, 0.0), (0.9, 0.065)])
def test_a_gaussian_edge_falls_to_half_where_it_must(sigma: float, power: float, flattening: float) -> None:
    """exp(-2 pi^2 s^2 f^2) is one half at f = 0.1874 / s and one tenth at 0.3415 / s; 10-90 % spread 2.563 s.

    Textbook (the transform of a Gaussian; quantiles of the normal distribution). 3 %, and 6 % where a darkened limb
    has to be told from a blurred one.
    """
    bright, mask = disc(power, flattening)
    transfer = np.exp(-2 * (np.pi * sigma * fine_frequency()) ** 2)
    found = measured(seen_through(bright, transfer, noise=0.002), mask)
    allowed = 0.03 if power == 0 else 0.06
    assert found.mtf50_cyc_per_px == pytest.approx(0.1874 / sigma, rel=allowed)
    assert found.mtf10_cyc_per_px == pytest.approx(0.3415 / sigma, rel=2 * allowed)
    assert found.edge_spread_px == pytest.approx(2.563 * sigma, rel=1.5 * allowed)


def test_a_telescope_falls_to_half_at_two_fifths_of_its_cutoff() -> None:
    """(2/pi)(acos f - f sqrt(1 - f^2)) is one half at 0.404 of the cutoff (Goodman, Introduction to Fourier Optics).

    A tenth at 0.805; both computed for this test.
    """
    bright, mask = disc(0.5)
    found = measured(seen_through(bright, diffraction_transfer(fine_frequency() / 0.35), noise=0.001), mask)
    assert found.mtf50_cyc_per_px == pytest.approx(0.404 * 0.35, rel=0.05)
    assert found.mtf10_cyc_per_px == pytest.approx(0.805 * 0.35, rel=0.08)


@pytest.mark.parametrize("seed", [11, 12, 13])
@pytest.mark.parametrize("scene", [BandedPlanet(phase_angle_deg=0.0), TexturedDisc()])
def test_the_error_covers_what_belts_and_texture_do(scene: BandedPlanet | TexturedDisc, seed: int) -> None:
    """A simulated target's own features pull the 50 % frequency by less than two stated errors; 1 % noise."""
    quiet = Scenario(scene=scene, frames=1, height_px=160, width_px=160, air=Air(d_over_r0=0.0, psf_grid=2))
    imaging = simulate(quiet, seed).imaging
    blur = np.exp(-2 * (np.pi * 1.5 * frequencies(*imaging.diffraction_limited().shape[:2])) ** 2)
    scenery = imaging.diffraction_limited()[..., 0]
    image = scipy.fft.irfft2(scipy.fft.rfft2(scenery) * blur, scenery.shape)
    image += 0.01 * np.random.default_rng(seed).standard_normal(image.shape)
    found = measured(image.astype(np.float32), imaging.scene.target)
    f = np.linspace(0.01, 0.3, 2000)
    telescope = diffraction_transfer(f * quiet.sampling_px(600.0), 0.3)
    truth = float(f[np.argmax(telescope * np.exp(-2 * (np.pi * 1.5 * f) ** 2) < 0.5)])
    assert found.mtf50_cyc_per_px is not None and found.mtf50_cyc_per_px_error is not None
    assert abs(found.mtf50_cyc_per_px - truth) < 2 * found.mtf50_cyc_per_px_error
    assert found.mtf50_cyc_per_px_error < 0.3 * truth


def test_what_has_no_limb_has_no_transfer() -> None:
    """Noise alone, and a target of a few pixels."""
    rng = np.random.default_rng(2)
    assert measure_limb(rng.standard_normal((64, 64)).astype(np.float32), np.ones((64, 64), bool)) is None
    small = np.zeros((64, 64), bool)
    small[30:34, 30:34] = True
    assert measure_limb(small.astype(np.float32), small) is None
