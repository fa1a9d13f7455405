"""The keep curve: information by its formula, its error by its scatter, and the share that is known to be best."""

from collections.abc import Callable

import numpy as np
import scipy.fft
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from stacker.measuring.keep_curve import PERCENTS, KeepCurve, curve_of, information_bits, information_error, sound
from stacker.measuring.resolution import ring_sums
from stacker.measuring.spectra import analysis_window, whole_window, windowed_spectrum

SIZE = 128
FRAMES_OF_A_HALF = 100
ALL = np.ones((SIZE, SIZE), bool)
Image = NDArray[np.float64]


def textured(rng: np.random.Generator) -> Image:
    """Return texture of unit spread and power f^-2, cut at 0.33 cycles per pixel as optics do."""
    f = np.hypot(scipy.fft.fftfreq(SIZE)[:, None], scipy.fft.rfftfreq(SIZE)[None])
    spectrum = scipy.fft.rfft2(rng.standard_normal((SIZE, SIZE))) / np.maximum(f, 1 / SIZE) * (f < 0.33)
    scene = scipy.fft.irfft2(spectrum, (SIZE, SIZE))
    return np.asarray(scene / scene.std())


def curve_from(signal: Callable[[float], Image], noise: float, rng: np.random.Generator) -> KeepCurve:
    """Return the curve of stacks whose mean signal at a keep percentage is known, noise nested as frames are."""
    window = analysis_window(ALL, "surface")
    sums, count, soundings = np.zeros((2, SIZE, SIZE)), 0, []
    for percent in PERCENTS:
        more = round(percent / 100 * FRAMES_OF_A_HALF) - count
        sums += noise * np.sqrt(more) * rng.standard_normal(sums.shape)
        count += more
        a, b = (signal(percent) + part / count for part in sums)
        halves = a.astype(np.float32), b.astype(np.float32)
        soundings.append(sound(percent, 2 * count, 2.0 * count, halves, window, ALL, "surface", 0.33))
    return curve_of(soundings)


def test_information_is_the_published_sum() -> None:
    """Sum of n/2 log2(1 + SSNR) with SSNR = 2c / (1 - c) (Unser, Trus & Steven 1987; Shannon 1948; from memory)."""
    rng = np.random.default_rng(1)
    window = whole_window((SIZE, SIZE))
    scene = 3 * textured(rng)
    a, b = (windowed_spectrum(scene + rng.standard_normal(scene.shape), window) for _ in range(2))
    rings = ring_sums(a, b, window, 0.33)
    seen = (rings.frequency_cyc_per_px < 0.2) & (rings.correlation > 0)
    wanted = float((0.5 * rings.count * np.log2(1 + rings.signal_to_noise))[seen].sum())
    assert (rings.correlation[rings.frequency_cyc_per_px < 0.2] > 0).all()
    assert_allclose(information_bits(rings, 0.2), wanted, rtol=1e-9)


def test_its_error_is_its_scatter() -> None:
    """artanh(c) of n modes scatters by 1/sqrt(n) (Fisher 1921); of one scene under much less noise by 1/sqrt(2n).

    With c near 1 only ln(1 - c) / 2 matters, and the noise power in it has n degrees of freedom. 80 repeats know a
    scatter to 8 %: three of these are allowed.
    """
    rng = np.random.default_rng(2)
    window = whole_window((SIZE, SIZE))
    for strength, least in ((0.0, 0.76), (1.0, 0.76 / np.sqrt(2)), (30.0, 0.76 / np.sqrt(2))):
        scene, found, error = strength * textured(rng), [], 0.0
        for _ in range(80):
            a, b = (windowed_spectrum(scene + rng.standard_normal(scene.shape), window) for _ in range(2))
            rings = ring_sums(a, b, window, 0.33)
            found.append(information_bits(rings, 0.3))
            error = information_error(rings, 0.3)
        assert least < np.std(found) / error < 1.24


def test_frames_that_are_all_alike_are_all_kept() -> None:
    """Equal frames: noise falls as 1/sqrt(N), nothing else changes, so all of them are best."""
    rng = np.random.default_rng(3)
    scene = textured(rng)
    curve = curve_from(lambda _: scene, 3.0, rng)
    assert curve.best_percent == 100
    bits = [step.information_bits for step in curve.steps]
    assert bits[-1] is not None and bits[0] is not None and bits[-1] > 2 * bits[0]
    assert curve.good_range_percent is not None and curve.good_range_percent[0] >= 60


def test_of_two_populations_the_sharp_one_is_kept() -> None:
    """A tenth sharp, nine tenths blurred by 3 px: the best share lies at 8 to 15 %."""
    rng = np.random.default_rng(4)
    sharp = 2 * textured(rng)
    blurred = gaussian_filter(sharp, 3.0, mode="wrap")

    def mean(percent: float) -> Image:
        part = min(1.0, 10.0 / percent)
        return part * sharp + (1 - part) * blurred

    curve = curve_from(mean, 3.0, rng)
    assert curve.best_percent is not None and 8 <= curve.best_percent <= 15
    low, high = curve.good_range_percent or (0, 0)
    assert low <= 10 <= high <= 15


def test_noise_has_no_best_share() -> None:
    """Noise alone: no step resolves anything, and the reason is given."""
    curve = curve_from(lambda _: np.zeros((SIZE, SIZE)), 1.0, np.random.default_rng(5))
    assert curve.best_percent is None and curve.good_range_percent is None
    assert "noise" in curve.note
    assert all(step.resolution_px is None and step.information_bits is None for step in curve.steps)


def test_the_record_is_plain() -> None:
    """Only numbers, text, lists and None: what JSON can hold."""
    import json

    scene = textured(np.random.default_rng(6))
    record = curve_from(lambda _: scene, 3.0, np.random.default_rng(7)).record()
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert {"keep_percent", "frames", "resolution_px", "snr", "information_bits"} <= set(record["steps"][0])
