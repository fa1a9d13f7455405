"""The accuracy of a measured shift against the Cramer-Rao bound and against scikit-image on the same data.

The bound: Robinson & Milanfar 2004, IEEE Trans. Image Processing 13, 1185 (formula from memory): with noise of variance
s^2 in one image, the covariance is at least s^2 [[S gy^2, S gy gx], [S gy gx, S gx^2]]^-1; where both images are noisy
the variance doubles. The method that scikit-image's `phase_cross_correlation` follows: Guizar-Sicairos, Thurman &
Fienup 2008, Optics Letters 33, 156.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import fourier_shift, gaussian_filter
from skimage.registration import phase_cross_correlation

from stacker.alignment.correlation import Shift, measure_shift

SIDE_PX, TRIALS = 64, 60
Image = NDArray[np.float32]


def scene(rng: np.random.Generator, side_px: int = SIDE_PX) -> NDArray[np.float64]:
    """A band-limited random scene of rms 1: white noise under a Gaussian of 2 px."""
    smooth = gaussian_filter(rng.normal(size=(side_px, side_px)), 2.0, mode="wrap")
    return np.asarray((smooth - smooth.mean()) / smooth.std())


def moved(image: NDArray[np.float64], shift_px: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.fft.ifft2(fourier_shift(np.fft.fft2(image), shift_px)).real)


def bound_px(image: NDArray[np.float64], noise: float) -> float:
    """Return the least standard error an axis (root mean square of both), both images noisy."""
    spectrum, f = np.fft.fft2(image), np.fft.fftfreq(len(image))
    down = np.fft.ifft2(2j * np.pi * f[:, None] * spectrum).real
    right = np.fft.ifft2(2j * np.pi * f[None] * spectrum).real
    information = np.array([[(a * b).sum() for b in (down, right)] for a in (down, right)]) / noise**2
    return float(np.sqrt(2 * np.trace(np.linalg.inv(information)) / 2))


@dataclass(frozen=True)
class Trials:
    """Root mean square errors of many pairs, px an axis."""

    ours: float
    stated: float
    bound: float
    whitened: float
    plain: float


def rms(values: object) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.fixture(scope="module", params=[20, 5, 2], ids=lambda snr: f"SNR {snr}")
def trials(request: pytest.FixtureRequest) -> Trials:
    rng, noise = np.random.default_rng(request.param), 1 / request.param
    ours, stated, bound, whitened, plain = [], [], [], [], []
    for _ in range(TRIALS):
        true, first = rng.uniform(-3, 3, 2), scene(rng)
        image = (moved(first, true) + rng.normal(0, noise, first.shape)).astype(np.float32)
        reference = (first + rng.normal(0, noise, first.shape)).astype(np.float32)
        found = measure_shift(image, reference)
        ours.append(np.array([found.dy_px, found.dx_px]) - true)
        stated.append(found.error_px)
        bound.append(bound_px(first, noise))
        for kept, normalization in ((whitened, "phase"), (plain, None)):
            kept.append(
                phase_cross_correlation(image, reference, upsample_factor=100, normalization=normalization)[0] - true
            )
    return Trials(rms(ours), rms(stated), rms(bound), rms(whitened), rms(plain))


def test_error_is_near_the_bound(trials: Trials) -> None:
    """Between the bound (0.9: 120 errors know their rms to 6.5 %) and one and a half times it."""
    assert 0.9 < trials.ours / trials.bound < 1.5


def test_ten_times_better_than_plain_phase_correlation(trials: Trials) -> None:
    """scikit-image with normalization="phase" lets every frequency vote, signal or not."""
    assert 10 * trials.ours < trials.whitened


def test_not_worse_than_plain_cross_correlation(trials: Trials) -> None:
    """scikit-image with normalization=None lets the strong, low frequencies alone decide."""
    assert trials.ours < trials.plain


def test_the_stated_error_is_honest(trials: Trials) -> None:
    assert 0.7 < trials.ours / trials.stated < 1.4


def test_without_noise_a_hundredth_of_a_pixel() -> None:
    rng = np.random.default_rng(1)
    first = scene(rng)
    for true in rng.uniform(-12, 12, (20, 2)):
        found = measure_shift(moved(first, true).astype(np.float32), first.astype(np.float32))
        assert np.hypot(found.dy_px - true[0], found.dx_px - true[1]) < 0.01


def sweep(measure: Callable[[Image, Image], Shift], noise: float, pairs: int) -> float:
    """Return the peak to peak of the mean error over true shifts from 0 to 1 px in steps of 0.05."""
    rng, mean = np.random.default_rng(7), []
    scenes = [scene(rng) for _ in range(pairs)]
    disturbed = [(first + rng.normal(0, noise, first.shape), rng.normal(0, noise, first.shape)) for first in scenes]
    for true in np.arange(0, 1.001, 0.05):
        errors = [
            measure((moved(first, np.array([true, 0.3])) + extra).astype(np.float32), base.astype(np.float32)).dy_px
            - true
            for first, (base, extra) in zip(scenes, disturbed, strict=True)
        ]
        mean.append(float(np.mean(errors)))
    return float(np.ptp(mean))


@pytest.mark.parametrize("noise", [0.0, 0.2])
def test_no_pull_towards_whole_pixels(noise: float) -> None:
    """Mean error over a sweep of sub-pixel shifts: 0.02 px peak to peak is what corrected estimators reach on real
    stars and wavefront sensors (peak locking: Anugu, Garcia & Correia 2018, MNRAS 476, 300, from memory)."""
    assert sweep(measure_shift, noise, 6) < 0.02
