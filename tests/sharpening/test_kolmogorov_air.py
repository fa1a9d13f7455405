"""The table of turbulence against fresh screens, Noll's residual and Fried's formula."""

import cv2
import numpy as np
import pytest
import scipy.fft
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from stacker.interpolation import interpolate
from stacker.measuring.resolution import Rings
from stacker.sharpening.air import Air, Evidence, fit_air, jitter_transfer
from stacker.sharpening.both_halves import whole_of
from stacker.sharpening.single_noise import interpolated_mosaic_noise, interpolated_noise, softening
from stacker.sharpening.turbulence import air_transfer, speckle_power
from stacker.sharpening.unlike_frames import ALIKE, Frames
from stacker.sky.optics import diffraction_transfer

ACROSS = 32
OBSTRUCTION = 0.2
Curve = NDArray[np.float64]


@pytest.fixture(scope="module")
def screens() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Kolmogorov phase for D/r0 = 1, tilt removed, (n, 32, 32), and the pupil."""
    rng = np.random.default_rng(21)
    size = 256
    f = np.hypot(scipy.fft.fftfreq(size)[:, None], scipy.fft.fftfreq(size)[None, :])
    f[0, 0] = np.inf
    amplitude = np.sqrt(0.0229) * f ** (-11 / 6) / size  # 0.0229 r0^(-5/3) f^(-11/3), r0 of one pixel
    y, x = np.mgrid[:ACROSS, :ACROSS] - (ACROSS - 1) / 2
    pupil = ((np.hypot(y, x) <= ACROSS / 2) & (np.hypot(y, x) >= OBSTRUCTION * ACROSS / 2)).astype(float)
    parts = []
    for _ in range(40):
        whole = scipy.fft.fft2((rng.normal(size=(size, size)) + 1j * rng.normal(size=(size, size))) * amplitude)
        for screen in (whole.real, whole.imag):
            parts += [screen[i : i + ACROSS, j : j + ACROSS] for i in range(0, size, 64) for j in range(0, size, 64)]
    phase = np.array(parts) * ACROSS ** (-5 / 6)
    basis = np.stack([np.ones_like(y), y, x])
    gram = np.linalg.inv(np.einsum("aij,bij,ij->ab", basis, basis, pupil))
    return phase - np.tensordot(np.einsum("nij,bij,ij->nb", phase, basis, pupil) @ gram, basis, 1), pupil


def test_residual_is_nolls(screens: tuple[NDArray[np.float64], NDArray[np.float64]]) -> None:
    """0.134 (D/r0)^(5/3) rad^2 is left without piston and tilt (Noll 1976, J. Opt. Soc. Am. 66, 207)."""
    phase, pupil = screens
    assert_allclose(
        ((phase**2 * pupil).sum((1, 2)) / pupil.sum()).mean(), 0.134, rtol=0.07
    )  # obstruction: a little off


def _peaks(spectra: NDArray[np.complex128]) -> NDArray[np.intp]:
    """Return where real images with these spectra (n, side, side) are highest, on a grid four times as fine."""
    side = spectra.shape[-1]
    half = side // 2
    fine = np.zeros((len(spectra), 4 * side, 2 * side + 1), np.complex64)
    for rows in (slice(0, half), slice(-half, None)):
        fine[:, rows, :half] = spectra[:, rows, :half]
    images: NDArray[np.float32] = scipy.fft.irfft2(fine, (4 * side, 4 * side))
    return images.reshape(len(spectra), -1).argmax(1)


@pytest.mark.parametrize("fried", [2.0, 4.0])
def test_table_agrees_with_fresh_screens(screens: tuple[Curve, Curve], fried: float) -> None:
    """Mean transfer within 8 % and speckle power within 25 %, images laid where a search finds the best agreement."""
    phase, pupil = screens
    field = pupil * np.exp(1j * phase * fried ** (5 / 6))
    side = 96
    transfer = scipy.fft.fft2(np.abs(scipy.fft.fft2(field, (side, side))) ** 2) / (pupil.sum() * side**2)
    down, right = np.meshgrid(scipy.fft.fftfreq(side), scipy.fft.fftfreq(side), indexing="ij")
    f = np.hypot(down, right) * side / ACROSS
    for _ in range(2):
        # A plain search over the peak of the correlation with the mean, to a quarter of a pixel.
        common = transfer * (transfer.mean(0).real * ((f > 0.03) & (f < 1)))
        peak = np.concatenate([_peaks(few) for few in np.array_split(common, 40)])
        dy, dx = (
            ((place + 2 * side) % (4 * side) - 2 * side) / 4 for place in np.unravel_index(peak, (4 * side, 4 * side))
        )
        transfer = transfer * np.exp(2j * np.pi * (down * dy[:, None, None] + right * dx[:, None, None]))
    telescope = diffraction_transfer(f, OBSTRUCTION)
    for low, high in ((0.1, 0.15), (0.25, 0.3), (0.4, 0.5)):
        ring = (f >= low) & (f < high)
        middle = np.array([f[ring].mean()])
        mean = transfer[:, ring].mean(0)
        air = float((mean.real / telescope[ring]).mean())
        speckle = float(((np.abs(transfer[:, ring]) ** 2).mean(0) - np.abs(mean) ** 2).mean())
        assert_allclose(air_transfer(middle, fried), air, rtol=0.08)
        assert_allclose(speckle_power(middle, fried, diffraction_transfer(middle, OBSTRUCTION)), speckle, rtol=0.25)


def test_weak_air_follows_fried() -> None:
    """exp(-3.44 (q f)^(5/3) (1 - f^(1/3))) up to a quarter of the cutoff (Fried 1966, J. Opt. Soc. Am. 56, 1372)."""
    f = np.array([0.05, 0.1, 0.15, 0.2, 0.25])
    published = 3.44 * f ** (5 / 3) * (1 - f ** (1 / 3))
    assert_allclose(-np.log(air_transfer(f, 1.0)), published, rtol=0.09)


def test_no_air_no_loss() -> None:
    """Without turbulence everything passes and there is no speckle."""
    f = np.linspace(0, 1, 11)
    assert_allclose(air_transfer(f, 1e-6), 1.0)
    assert_allclose(speckle_power(f, 1e-3, np.ones_like(f)), 0.0, atol=1e-9)


def test_motion_blur_is_the_gaussians() -> None:
    """Jitter of 0.2 px leaves 0.821, of 0.5 px 0.291 at the Nyquist frequency: exp(-2 pi^2 sigma^2 f^2)."""
    assert_allclose([jitter_transfer(np.array([0.5]), s)[0] for s in (0.2, 0.5)], (0.821, 0.291), atol=5e-4)


def test_other_colours_see_other_air() -> None:
    """r0 goes as lambda^(6/5): D/r0 at 465 nm is 1.18 times that at 535 nm (Fried 1966)."""
    green = Air(4.0, 0.30)
    assert_allclose(green.at_cutoff(0.30 * 535 / 465).aperture_over_r0, 4.0 * (535 / 465) ** 1.2)
    assert green.at_cutoff(0.30) == green


def moved_around(plane: NDArray[np.float32], dy: float, dx: float, kernel: str) -> NDArray[np.float32]:
    """Return a periodic plane sampled a fraction of a pixel down and right."""
    y, x = np.indices(plane.shape, np.float32)
    return interpolate(np.pad(plane, 4, mode="wrap"), (y + np.float32(dy + 4), x + np.float32(dx + 4)), kernel)


@pytest.mark.parametrize("kernel", ["cubic", "prefiltered"])
def test_interpolated_noise_is_that_of_interpolation(kernel: str) -> None:
    """White noise interpolated at random places has the stated spectrum, plain and for a mosaic's green."""
    rng = np.random.default_rng(23)
    side = 128
    f = np.hypot(scipy.fft.fftfreq(side)[:, None], scipy.fft.rfftfreq(side)[None, :])
    y, x = np.mgrid[:side, :side].astype(np.float32)
    cross = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float32) / 4
    chequer = (np.add.outer(np.arange(side), np.arange(side)) % 2).astype(np.float32)
    power = {"plain": np.zeros(f.shape), "mosaic": np.zeros(f.shape)}
    for _ in range(150):
        white = rng.standard_normal((side, side), dtype=np.float32)
        filled = white * chequer + cv2.filter2D(white * chequer, -1, cross, borderType=cv2.BORDER_REFLECT_101)
        dy, dx = rng.uniform(0, 1, 2).astype(np.float32)
        for name, plane in (("plain", white), ("mosaic", filled)):
            power[name] += np.abs(scipy.fft.rfft2(moved_around(plane, dy, dx, kernel))) ** 2
    for name, stated in (("plain", interpolated_noise), ("mosaic", interpolated_mosaic_noise)):
        middle = np.array([0.05, 0.15, 0.25, 0.35, 0.45])
        rings = [power[name][np.abs(f - m) < 0.02].mean() for m in middle]
        expected = stated(middle, kernel=kernel)
        assert_allclose(np.array(rings) / rings[0], expected / expected[0], rtol=0.06)


def test_softening_is_what_interpolation_takes_more_than_cubic() -> None:
    """Images interpolated at random places and moved back in their spectra lose as much, ring by ring."""
    rng, side = np.random.default_rng(25), 96
    down, right = scipy.fft.fftfreq(side)[:, None], scipy.fft.rfftfreq(side)[None, :]
    f, middle = np.hypot(down, right), np.array([0.1, 0.25, 0.4])
    left = {kernel: np.zeros(f.shape) for kernel in ("prefiltered", "cubic")}
    places = (np.arange(150) + 0.5) / 150
    for dy, dx in zip(places, rng.permutation(places), strict=True):
        white = rng.standard_normal((side, side), dtype=np.float32)
        true = scipy.fft.rfft2(white) * np.exp(2j * np.pi * (down * dy + right * dx))
        for kernel, total in left.items():
            total += (scipy.fft.rfft2(moved_around(white, dy, dx, kernel)) * np.conj(true)).real
    prefiltered, cubic = (np.array([total[np.abs(f - m) < 0.02].mean() for m in middle]) for total in left.values())
    assert_allclose(prefiltered / cubic, softening(middle, "prefiltered"), atol=0.015)
    assert (softening(middle, "cubic") == 1.0).all()


def test_zoomed_noise_is_that_of_interpolation() -> None:
    """White noise on pixels one and a half times as fine has the stated spectrum, up to the camera's Nyquist."""
    rng, side, zoom = np.random.default_rng(24), 192, 1.5
    f = zoom * np.hypot(scipy.fft.fftfreq(side)[:, None], scipy.fft.rfftfreq(side)[None, :])
    y, x = np.mgrid[:side, :side].astype(np.float32) / np.float32(zoom)
    power = np.zeros(f.shape)
    for _ in range(60):
        white = rng.standard_normal((int(side / zoom), int(side / zoom)), dtype=np.float32)
        dy, dx = rng.uniform(0, 1, 2).astype(np.float32)
        power += np.abs(scipy.fft.rfft2(cv2.remap(white, x + dx, y + dy, cv2.INTER_CUBIC, None, cv2.BORDER_WRAP))) ** 2
    middle = np.array([0.05, 0.15, 0.25, 0.35, 0.45])
    rings = np.array([power[np.abs(f - m) < 0.02].mean() for m in middle])
    stated = interpolated_noise(middle, zoom)
    assert_allclose(rings / rings[0], stated / stated[0], rtol=0.06)


@pytest.mark.parametrize("differing", [0.0, 0.25])
def test_powers_made_for_known_air_give_it_back(differing: float) -> None:
    """D/r0 within 5 % where powers follow the model without scatter, of frames alike or in unlike air."""
    cutoff, f = 1 / 3, (np.arange(60) + 0.5) / 120
    x, q, jitter = f / cutoff, 4.5, 0.15
    telescope = diffraction_transfer(x, 0.3)
    target = 1e6 * (0.01 + f) ** -3
    # Frames one by one, their D/r0 spread evenly; contrast as they show it at 0.3 of the cutoff.
    each = q * np.exp(differing * np.linspace(-1, 1, 25))
    contrast = np.array([air_transfer(np.array([0.3]), one)[0] for one in each])
    weight = contrast**2.3 / (contrast**2.3).sum()
    passed = np.stack([air_transfer(x, one) for one in each])
    cross = target * (weight @ passed * telescope) ** 2 * jitter_transfer(f, jitter) ** 2
    noise = 2e5 * interpolated_noise(f)
    speckle = weight @ np.stack([0.45 * (1 + x) * speckle_power(x, one, telescope) for one in each])
    single = target * (weight @ passed**2 * telescope**2 + speckle) + noise
    correlation = cross / (cross + noise / 100)
    found = fit_air(Evidence(f, np.full(60, 200.0), cross, correlation, single, Frames.weighed(weight)), cutoff, 0.3)
    assert found is not None
    use = (x > 0.1) & (x < 0.9)
    assert_allclose(found.transfer(f)[use], (weight @ passed)[use], atol=0.03)
    if not differing:
        assert_allclose(found.aperture_over_r0, q, rtol=0.05)


def test_too_few_rings_give_no_air() -> None:
    """Where nothing correlates, nothing is fitted."""
    f = (np.arange(60) + 0.5) / 120
    flat = np.ones(60)
    assert fit_air(Evidence(f, 100 * flat, 0 * flat, 0 * flat, flat), 1 / 3, 0.0) is None


def test_groups_of_frames_hold_equal_weight_and_one_mean() -> None:
    """Alike frames fall into groups that do not differ; of unlike ones the mean contrast is that of all."""
    assert_allclose(Frames.weighed(np.full(10, 0.1)).log_contrast, 0.0, atol=1e-12)
    assert Frames.weighed(np.array([0.0, 1.0, 0.0])) == ALIKE
    weights = np.random.default_rng(3).uniform(0.2, 1.0, 600) ** 2
    contrast = np.array(Frames.weighed(weights / weights.sum()).log_contrast)
    assert (np.diff(contrast) > 0).all()
    assert_allclose(np.exp(contrast).mean(), 1.0, atol=0.01)


def test_sharp_frames_carry_the_fine_detail() -> None:
    """A mean over unlike frames falls off later than frames of its contrast would, alike."""
    f = np.array([0.1, 0.3, 0.6, 0.8])
    unlike = Frames((-0.5, 0.0, 0.4)).tables(f).mean(5.0) / ALIKE.tables(f).mean(5.0)
    assert_allclose(unlike[1], np.exp([-0.5, 0.0, 0.4]).mean(), rtol=0.02)
    assert (np.diff(unlike) > 0).all()


def _rings(a: Curve, b: Curve, noise_a: float, noise_b: float) -> Rings:
    f = (np.arange(40) + 0.5) / 80
    return Rings(f, np.full(40, 300.0), a * b, a**2 + noise_a, b**2 + noise_b)


def test_signal_and_noise_of_a_stack_of_like_halves_is_the_known_formula() -> None:
    """Signal share 2c / (1 + c) of the ring correlation c (van Heel & Schatz 2005)."""
    shown = 30.0 * np.exp(-8 * (np.arange(40) + 0.5) / 80)
    rings = _rings(shown, shown, 2.0, 2.0)
    c = rings.correlation
    assert_allclose(whole_of(rings, 0.5).signal_share, 2 * c / (1 + c), rtol=1e-9)


def test_a_half_that_shows_more_counts_for_more() -> None:
    """Halves whose detail differs, of unequal weight: signal and noise are those of their weighted sum."""
    f = (np.arange(40) + 0.5) / 80
    a, b = ((f < 0.36) * 30.0 * np.exp(-fall * f) for fall in (6, 9))
    found = whole_of(_rings(a, b, 0.2, 0.5), 0.7)
    sure = f < 0.3
    assert_allclose(found.signal[sure], ((0.7 * a + 0.3 * b) ** 2)[sure], rtol=0.05)
    assert_allclose(found.noise[sure], 0.49 * 0.2 + 0.09 * 0.5, rtol=0.1)
