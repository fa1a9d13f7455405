"""The packed transform against the general one of scipy."""

import cv2
import numpy as np
import pytest
import scipy.fft

from stacker.packed_spectrum import add_squares, energy, filtered, folded, packed

SHAPES = [(120, 160), (17, 33), (16, 33), (33, 16)]


def _frequency(shape: tuple[int, int]) -> np.ndarray:
    return np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None])


@pytest.mark.parametrize("shape", SHAPES)
def test_a_filtered_image_is_that_of_the_general_transform(shape: tuple[int, int]) -> None:
    image = np.random.default_rng(1).normal(100, 1, shape).astype(np.float32)
    weight = np.exp(-3 * _frequency(shape)).astype(np.float32)
    expected = scipy.fft.irfft2(scipy.fft.rfft2(image.astype(float) - image.mean(dtype=float)) * weight, s=shape)
    np.testing.assert_allclose(filtered(image, packed(weight, shape[1])), expected, atol=2e-5)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_energy_is_that_of_all_frequencies(shape: tuple[int, int]) -> None:
    image = np.random.default_rng(2).normal(0, 1, shape).astype(np.float32)
    # Parseval's theorem.
    assert energy(np.asarray(cv2.dft(image))) == pytest.approx(float((image**2).sum()) * image.size, rel=1e-5)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_power_is_that_of_the_general_transform(shape: tuple[int, int]) -> None:
    image = np.random.default_rng(3).normal(0, 1, shape).astype(np.float32)
    expected = np.abs(scipy.fft.rfft2(image.astype(float))) ** 2
    squares = np.zeros(shape, np.float32)
    add_squares(image, squares)
    np.testing.assert_allclose(folded(squares), expected, rtol=1e-4, atol=1e-4)
