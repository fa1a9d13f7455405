"""Images sampled between their pixels, against waves whose values are known and against scipy's spline."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy.ndimage import fourier_shift, gaussian_filter, map_coordinates

from stacker.interpolation import interpolate, kernel_at

SIDE = 64


def maps_at(dy: float, dx: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the places a fraction of a pixel down and right."""
    rows, columns = np.indices((SIDE, SIDE), np.float32)
    return rows + np.float32(dy), columns + np.float32(dx)


def unexplained(image: NDArray[np.float64], truth: NDArray[np.float64]) -> float:
    """Return what the image's best radial filter leaves of the truth, rms over the truth's."""
    window = np.outer(np.hanning(SIDE), np.hanning(SIDE))
    own, true = (np.fft.fft2(part * window) for part in (image, truth))
    f = np.fft.fftfreq(SIDE)
    ring = np.rint(SIDE * np.hypot(f[:, None], f[None])).astype(int).ravel()
    cross, power = (np.bincount(ring, part.ravel()) for part in ((own.conj() * true).real, np.abs(own) ** 2))
    left = true.ravel() - (cross / power)[ring] * own.ravel()
    return float(np.linalg.norm(left) / np.linalg.norm(true))


@pytest.mark.parametrize(("frequency", "left"), [(1 / 16, 1), (1 / 8, 1.015), (1 / 4, 1), (3 / 8, 0.86)])
def test_the_mean_over_all_places_keeps_slow_waves(frequency: float, left: float) -> None:
    """Linear interpolation leaves sinc^2 f (a fact of the trade), the prefilter 1 + 2 a (1 - cos 2 pi f) of that."""
    columns = np.arange(SIDE) * 2 * np.pi * frequency
    wave = np.tile(np.cos(columns), (SIDE, 1)).astype(np.float32)
    kept = []
    for dx in (np.arange(32) + 0.5) / 32:
        true = np.cos(columns + 2 * np.pi * frequency * dx)
        row = interpolate(wave, maps_at(0, dx))[SIDE // 2]
        kept.append(float((row * true)[4:-4].sum() / (true**2)[4:-4].sum()))
    assert_allclose(np.mean(kept), left, atol=0.012)


def test_noisy_frames_average_as_well_as_by_slower_kernels() -> None:
    """200 frames moved by random fractions of a pixel: their mean's best radial filter leaves as little of the truth as
    with cubic convolution, and hardly more than with scipy's cubic spline (map_coordinates), which sees all pixels."""
    rng = np.random.default_rng(11)
    truth = gaussian_filter(rng.normal(size=(SIDE, SIDE)), 1, mode="wrap")
    truth /= truth.std()
    ours, cubic, spline = np.zeros((3, SIDE, SIDE))
    for dy, dx in rng.uniform(-3, 3, (200, 2)):
        seen = np.fft.ifft2(fourier_shift(np.fft.fft2(truth), (dy, dx))).real
        frame = (seen + rng.normal(0, 0.3, truth.shape)).astype(np.float32)
        ours += interpolate(frame, maps_at(dy, dx))
        cubic += interpolate(frame, maps_at(dy, dx), "cubic")
        spline += map_coordinates(frame, maps_at(dy, dx), order=3, mode="mirror")
    assert unexplained(ours, truth) < min(1.01 * unexplained(cubic, truth), 1.15 * unexplained(spline, truth))


@pytest.mark.parametrize("kernel", ["linear", "cubic"])
def test_plain_kernels_are_exact_on_the_pixels(kernel: str) -> None:
    plane = np.random.default_rng(2).normal(100, 9, (SIDE, SIDE)).astype(np.float32)
    assert_array_equal(interpolate(plane, maps_at(0, 0), kernel), plane)


@pytest.mark.parametrize("kernel", ["linear", "cubic", "prefiltered"])
def test_a_kernel_is_what_a_lone_pixel_becomes(kernel: str) -> None:
    """Every colour of an image alike; the weights of all pixels sum to one at any place."""
    lone = np.zeros((SIDE, SIDE, 3), np.float32)
    lone[32, 32] = 1
    dx = 0.3125
    seen = interpolate(lone, maps_at(0, dx), kernel)
    distance = np.arange(29, 36) + dx - 32
    expected = kernel_at(distance, kernel) * kernel_at(np.zeros(1), kernel)
    for colour in range(3):
        assert_allclose(seen[32, 29:36, colour], expected, atol=1e-6)
    assert_allclose(kernel_at(np.arange(-3, 4) + dx, kernel).sum(), 1, atol=1e-6)
