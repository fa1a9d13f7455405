"""One contract for every local-contrast measure: it must order frames by sharpness, whatever noise, gain and shift do.

Measures and their use on extended targets: Popowicz, Radlak, Bernacki & Orlov 2017, Solar Physics 292; definitions:
Pertuz, Puig & Garcia 2013, Pattern Recognition 46, 1415; Deng et al. 2015, Solar Physics 290, 1479 (both from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft, ndimage, stats

from stacker.ranking.contrast import BAND_NOISE, MEASURES, Measure, band_energy, gradient_energy

NAMES = sorted(MEASURES)
NEEDS_NOISE = {"median-filter gradient similarity"}
"""Without noise a median filter removes detail only, and the similarity falls where it should rise."""


def granulation(seed: int = 3, size: int = 256) -> NDArray[np.float32]:
    """Return a scene with detail at many scales, mean 100, rms 10: power falling as the fourth power of frequency."""
    rng = np.random.default_rng(seed)
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :])
    spectrum = np.fft.rfft2(rng.normal(size=(size, size))) / (frequency + 0.02) ** 2
    spectrum[0, 0] = 0
    scene = np.fft.irfft2(spectrum, (size, size))
    return (100 + 10 * scene / scene.std()).astype(np.float32)


def blurred(scene: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    return np.asarray(ndimage.gaussian_filter(scene, sigma_px, mode="wrap"))


def noisy(image: NDArray[np.float32], sigma_adu: float, seed: int) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    return image + rng.normal(0, sigma_adu, image.shape).astype(np.float32)


@pytest.fixture(params=NAMES)
def measure(request: pytest.FixtureRequest) -> Measure:
    return MEASURES[request.param]


@pytest.mark.parametrize("name", NAMES)
def test_order_follows_the_transfer_function(name: str) -> None:
    """Ten Gaussian blurs: rank correlation with the volume of the transfer function is 1 (0.99 asked)."""
    sigmas = np.linspace(0.8, 4, 10)
    noise_adu = 2.0 if name in NEEDS_NOISE else 0.0
    scene = granulation()
    values = [MEASURES[name](noisy(blurred(scene, s), noise_adu, i), None, noise_adu) for i, s in enumerate(sigmas)]
    volume = 1 / sigmas**2
    assert stats.spearmanr(values, volume)[0] >= 0.99


def test_order_survives_strong_noise(measure: Measure) -> None:
    """A blurred frame with noise (scene rms 5 times the noise) never beats the sharp one, with or without noise."""
    scene = granulation()
    for seed in range(5):
        soft = measure(noisy(blurred(scene, 2.5), 2, seed), None, 2.0)
        assert soft < measure(noisy(blurred(scene, 1), 2, seed + 10), None, 2.0)


@pytest.mark.parametrize("name", sorted(set(NAMES) - NEEDS_NOISE))
def test_noise_alone_has_no_contrast(name: str) -> None:
    """A flat with white noise: what is left after the floor's subtraction is under 5 % of the floor."""
    flat = np.full((512, 512), 100, np.float32)
    values = [MEASURES[name](noisy(flat, 2, seed), None, 2.0) for seed in range(6)]
    floors = [MEASURES[name](noisy(flat, 2, seed), None, 0.0) for seed in range(6)]
    # Helmli-Scherer is a first power: its floor leaves in quadrature, a residue of 5 % in power is 22 % in value.
    share = 0.25 if name == "Helmli-Scherer mean" else 0.05
    assert abs(np.mean(values)) < share * np.mean(floors)


def test_laplacian_floor_is_twenty() -> None:
    """Kernel 0,1,0/1,-4,1/0,1,0 over unit white noise: mean square 20 (sum of the squared coefficients)."""
    value = MEASURES["Laplacian"](noisy(np.full((512, 512), 100, np.float32), 1, 1), None, 0.0) * 100**2
    assert value == pytest.approx(20, rel=0.02)
    after = MEASURES["Laplacian"](noisy(np.full((512, 512), 100, np.float32), 1, 1), None, 1.0) * 100**2
    assert abs(after) < 0.4


def test_gain_changes_nothing(measure: Measure) -> None:
    """Image and noise times 1.3: the same value, as all are ratios."""
    image = noisy(blurred(granulation(), 1.2), 2, 5)
    assert measure(image * np.float32(1.3), None, 2.6) == pytest.approx(measure(image, None, 2.0), rel=1e-4)


def test_an_offset_keeps_the_order(measure: Measure) -> None:
    """A black level that is 10 ADU off moves all frames alike."""
    frames = [noisy(blurred(granulation(), s), 2, i) for i, s in enumerate((0.8, 1.4, 2, 2.6, 3.2))]
    plain = [measure(f, None, 2.0) for f in frames]
    offset = [measure(f + np.float32(10), None, 2.0) for f in frames]
    assert stats.spearmanr(plain, offset)[0] == pytest.approx(1)


@pytest.mark.parametrize("name", NAMES)
def test_sub_pixel_shifts_hardly_matter(name: str) -> None:
    """The same frame at eight sub-pixel positions scatters by less than a tenth of the spread between frames."""
    noise_adu = 1.0 if name in NEEDS_NOISE else 0.0
    scene = granulation()

    def value(sigma_px: float, shift_px: float) -> float:
        moved = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(blurred(scene, sigma_px)), (shift_px, 0.3))).real
        return MEASURES[name](noisy(moved.astype(np.float32), noise_adu, 1), None, noise_adu)

    between = np.std([value(s, 0) for s in (1, 1.5, 2, 2.5, 3)])
    assert np.std([value(1.5, d) for d in np.arange(8) / 8]) < 0.1 * between


def test_only_the_mask_counts(measure: Measure) -> None:
    """Detail and a bright limb outside the mask do not change the value."""
    image = noisy(blurred(granulation(), 1.5), 1, 2)
    mask = np.zeros(image.shape, bool)
    mask[64:192, 64:192] = True
    other = image.copy()
    other[:, 208:] = 900
    assert measure(other, mask, 1.0) == measure(image, mask, 1.0)


def test_an_empty_mask_gives_nan(measure: Measure) -> None:
    """Nothing to measure is nan, not zero and not an exception."""
    with np.errstate(all="ignore"):
        assert np.isnan(measure(granulation(), np.zeros((256, 256), bool), 1.0))


def test_gradient_and_laplacian_equal_scipy() -> None:
    """Inside the border the same numbers as scipy.ndimage's Sobel and Laplace filters."""
    image = granulation(5, 64)
    double = image.astype(float)
    twin = (ndimage.sobel(double, 0) / 8) ** 2 + (ndimage.sobel(double, 1) / 8) ** 2
    np.testing.assert_allclose(gradient_energy(image)[2:-2, 2:-2], twin[2:-2, 2:-2], rtol=1e-3, atol=1e-4)
    mask = np.zeros(image.shape, bool)
    mask[2:-2, 2:-2] = True
    laplacian = (ndimage.laplace(double)[mask] ** 2).mean() / double[mask].mean() ** 2
    assert MEASURES["Laplacian"](image, mask, 0.0) == pytest.approx(laplacian, rel=1e-4)


def test_band_equals_scipy_and_its_noise_is_the_sum_of_squares() -> None:
    """Binomial 3x3 minus a 5x5 Gaussian, convolved by scipy; white noise leaves `BAND_NOISE` of its variance."""
    image = granulation(6, 64)
    binomial = np.outer([1, 2, 1], [1, 2, 1]) / 16
    gauss = np.exp(-0.5 * (np.arange(-2, 3) / 1.2) ** 2)
    gauss /= gauss.sum()
    kernel = np.pad(binomial, 1) - np.outer(gauss, gauss)
    twin = ndimage.convolve(image.astype(float), kernel) ** 2
    np.testing.assert_allclose(band_energy(image)[3:-3, 3:-3], twin[3:-3, 3:-3], rtol=2e-2, atol=1e-3)
    assert pytest.approx((kernel**2).sum(), rel=1e-3) == BAND_NOISE


def test_cosine_ratio_equals_scipy() -> None:
    """The block transform is scipy.fft's orthonormal DCT-II."""
    image = granulation(7, 64).astype(np.float64)
    blocks = image.reshape(8, 8, 8, 8).swapaxes(1, 2).reshape(-1, 8, 8)
    energy = fft.dctn(blocks, axes=(1, 2), norm="ortho") ** 2
    order = np.add.outer(np.arange(8), np.arange(8))
    expected = energy[:, (order >= 1) & (order <= 5)].sum() / energy[:, 0, 0].sum()
    assert MEASURES["DCT energy ratio"](image.astype(np.float32), None, 0.0) == pytest.approx(expected, rel=1e-3)


def test_similarity_equals_scipy() -> None:
    """2 Gr Gm / (Gr^2 + Gm^2) with scipy's median filter; sums of absolute differences of neighbours."""
    image = noisy(granulation(8, 64), 3, 1)

    def gradient(field: NDArray[np.float32]) -> float:
        return float(np.abs(np.diff(field, axis=0)).sum() + np.abs(np.diff(field, axis=1)).sum())

    raw, filtered = gradient(image), gradient(ndimage.median_filter(image, 3, mode="nearest"))
    expected = 2 * raw * filtered / (raw**2 + filtered**2)
    assert MEASURES["median-filter gradient similarity"](image, None, 0.0) == pytest.approx(expected, rel=1e-4)
