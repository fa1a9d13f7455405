"""The starlet transform: exact inverse, slow twin, symmetry, odd sizes."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import convolve1d

from stacker.sharpening.starlet import from_starlet, plane_noise, plane_transfer, smooth_by, starlet


@pytest.mark.parametrize("shape", [(64, 80), (12, 12), (5, 300), (1, 7), (33, 3)])
def test_planes_sum_back_to_the_image(shape: tuple[int, int]) -> None:
    """Reconstruction to 1e-10 in double precision, whatever the size."""
    image = np.random.default_rng(1).normal(1000.0, 300.0, shape)
    assert_allclose(from_starlet(starlet(image, 6)), image, rtol=1e-10)


def test_single_precision_stays_single_and_exact_to_rounding() -> None:
    """float32 in, float32 out."""
    image = np.random.default_rng(2).normal(1000.0, 300.0, (90, 70)).astype(np.float32)
    parts = starlet(image, 5)
    assert {part.dtype for part in parts} == {np.dtype(np.float32)}
    assert_allclose(from_starlet(parts), image, atol=1e-3)  # a few roundings of 6e-5 at 1000


@pytest.mark.parametrize("step", [1, 2, 8])
def test_shifted_sums_equal_plain_convolution(step: int) -> None:
    """scipy's convolution with the dilated kernel is the slow twin."""
    image = np.random.default_rng(3).normal(size=(60, 71))
    kernel = np.zeros(4 * step + 1)
    kernel[::step] = np.array([1, 4, 6, 4, 1]) / 16
    slow = convolve1d(convolve1d(image, kernel, 0, mode="mirror"), kernel, 1, mode="mirror")
    assert_allclose(smooth_by(image, step), slow, atol=1e-13)


def test_turned_image_gives_turned_planes() -> None:
    """Rows and columns are treated alike."""
    image = np.random.default_rng(4).normal(size=(40, 52))
    for plain, turned in zip(starlet(image, 4), starlet(np.ascontiguousarray(image.T), 4), strict=True):
        assert_allclose(turned.T, plain, atol=1e-13)


def test_transfers_are_those_of_the_planes() -> None:
    """The spectrum of an impulse's planes is the stated transfer, and the transfers sum to 1."""
    size = 64
    impulse = np.zeros((size, size))
    impulse[size // 2, size // 2] = 1.0
    f = np.fft.fftfreq(size)
    stated = plane_transfer(f[:, None], f[None, :], 3)
    assert_allclose(stated.sum(0), 1.0)
    for transfer, part in zip(stated, starlet(impulse, 3), strict=True):
        assert_allclose(np.abs(np.fft.fft2(part)), np.abs(transfer), atol=1e-12)


def test_correlated_noise_is_followed_through_the_planes() -> None:
    """Noise averaged over 2x2 pixels: the spectrum tells its share in each plane."""
    rng = np.random.default_rng(5)
    white = rng.normal(size=(512, 512))
    kernel = np.zeros((512, 512))
    kernel[:2, :2] = 0.25
    soft = np.fft.irfft2(np.fft.rfft2(white) * np.fft.rfft2(kernel))
    expected = plane_noise(4, np.abs(np.fft.fft2(kernel)) ** 2) * soft.std()
    assert_allclose([p.std() for p in starlet(soft, 4)[:-1]], expected, rtol=0.03)


def test_integers_are_refused() -> None:
    """A starlet of integers would round."""
    with pytest.raises(ValueError, match="float"):
        starlet(np.zeros((8, 8), np.uint16), 2)  # type: ignore[type-var]
