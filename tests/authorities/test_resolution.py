"""Fourier ring correlation against published thresholds, its theory and its crossings."""

import numpy as np
import scipy.fft
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from stacker.measuring.resolution import (
    SEVENTH,
    Rings,
    half_bit_threshold,
    one_bit_threshold,
    resolution_of,
    ring_sums,
)
from stacker.measuring.spectra import AnalysisWindow, whole_window, windowed_spectrum

SIZE = 256
CUTOFF = 40.0 / SIZE  # rings of one mode's width
Complex = NDArray[np.complex64]


def a_pair(rng: np.random.Generator) -> tuple[Complex, Complex, AnalysisWindow]:
    """Return spectra of two images of one scene, each with unit white noise, signal power (20 / r)^3 at mode r."""
    window = whole_window((SIZE, SIZE))
    radius = np.maximum(window.radius * SIZE, 0.5)
    a, b, scene = (scipy.fft.rfft2(rng.standard_normal((SIZE, SIZE))) for _ in range(3))
    scene *= (20.0 / radius) ** 1.5
    return (scene + a).astype(np.complex64), (scene + b).astype(np.complex64), window


def averaged(pairs: list[Rings]) -> Rings:
    """Return rings whose sums are averaged over many pairs."""
    mean = [np.mean([getattr(p, name) for p in pairs], 0) for name in ("cross", "power_a", "power_b")]
    return Rings(pairs[0].frequency_cyc_per_px, pairs[0].count, *mean)


def test_thresholds_are_the_published_curves() -> None:
    """Values of the half-bit and one-bit curves (van Heel & Schatz 2005, J. Struct. Biol. 151, 250)."""
    assert_allclose(half_bit_threshold(np.array([100.0, 1000.0, 1e4])), (0.3067, 0.2164, 0.1860), atol=5e-5)
    assert_allclose(half_bit_threshold(1e12), 0.1716, atol=5e-5)
    assert_allclose(one_bit_threshold(1e12), 1.0 / 3.0, atol=5e-5)


def test_half_bit_means_half_a_bit() -> None:
    """With many modes the curves are where a mode of the mean holds 1/2 and 1 bit: log2(1 + S) of the whole stack."""
    for threshold, bits in ((half_bit_threshold(1e12), 0.5), (one_bit_threshold(1e12), 1.0)):
        c = float(threshold)
        assert_allclose(np.log2(1.0 + 2.0 * c / (1.0 - c)), bits, rtol=1e-3)


def test_seventh_is_half_correlation_with_the_truth() -> None:
    """sqrt(2c / (1 + c)) = 0.5 at c = 1/7 (Rosenthal & Henderson 2003, J. Mol. Biol. 333, 721; from memory)."""
    assert_allclose(np.sqrt(2 * SEVENTH / (1 + SEVENTH)), 0.5, rtol=1e-12)


def test_correlation_and_crossings_follow_theory() -> None:
    """FRC = S / (1 + S); it meets 1/7 at 20 x 6^(1/3) = 36.34 and the half-bit curve at 27.6 (n = 2 pi r)."""
    rng = np.random.default_rng(11)
    rings = averaged([ring_sums(*a_pair(rng), CUTOFF) for _ in range(200)])
    r = rings.frequency_cyc_per_px * SIZE
    theory = (20.0 / r) ** 3 / (1.0 + (20.0 / r) ** 3)
    inside = (r >= 5) & (r < 60)
    # scatter of one ring of 200 pairs: at most 1 / sqrt(200 x 2 pi 5) = 0.013
    assert_allclose(rings.correlation[inside], theory[inside], atol=0.03)
    found = resolution_of(rings, CUTOFF)
    assert found.seventh_px is not None and found.half_bit_px is not None
    # three rings of 228 modes scatter by 0.003, over a slope of 0.012 a ring: 0.25 rings
    assert_allclose(SIZE / found.seventh_px, 36.34, atol=0.75)
    assert_allclose(SIZE / found.half_bit_px, 27.6, atol=1.0)


def test_the_crossing_is_where_the_truth_says_so() -> None:
    """The halves meet the half-bit curve T where the whole meets sqrt(2T / (1 + T)) with the truth.

    Rosenthal & Henderson 2003, J. Mol. Biol. 333, 721 (from memory). 40 pairs each scatter by several rings; their mean
    curves by 0.5 rings or 2 %.
    """
    rng = np.random.default_rng(16)
    window = whole_window((SIZE, SIZE))
    radius = np.maximum(window.radius * SIZE, 0.5)
    pairs, truths = [], []
    for _ in range(40):
        a, b, scene = (scipy.fft.rfft2(rng.standard_normal((SIZE, SIZE))) for _ in range(3))
        scene *= (20.0 / radius) ** 1.5
        first, second = (scene + a).astype(np.complex64), (scene + b).astype(np.complex64)
        pairs.append(ring_sums(first, second, window, CUTOFF))
        whole = (0.5 * (first + second)).astype(np.complex64)
        truths.append(ring_sums(whole, scene.astype(np.complex64), window, CUTOFF))
    found = resolution_of(averaged(pairs), CUTOFF)
    threshold = half_bit_threshold(found.rings.count)
    wanted = np.sqrt(2 * threshold / (1 + threshold))
    below = np.flatnonzero(averaged(truths).correlation[5:] < wanted[5:])[0] + 5
    assert found.half_bit_px is not None
    assert_allclose(SIZE / found.half_bit_px, found.rings.frequency_cyc_per_px[below] * SIZE, rtol=0.06)


def test_reported_error_is_the_scatter_of_single_pairs() -> None:
    """The error bar of the half-bit crossing is within a factor 1.6 of what 40 repeats scatter."""
    rng = np.random.default_rng(12)
    found = [resolution_of(ring_sums(*a_pair(rng), CUTOFF), CUTOFF) for _ in range(40)]
    values = np.array([f.half_bit_px for f in found], float)
    errors = np.array([f.half_bit_px_error for f in found], float)
    spread = 1.4826 * np.median(np.abs(values - np.median(values)))
    assert 1 / 1.6 < np.median(errors) / spread < 1.6


def test_any_common_filter_leaves_the_correlation() -> None:
    """Sharpening or blurring both halves alike changes nothing (numbers of one ring share one factor)."""
    a, b, window = a_pair(np.random.default_rng(13))
    index = (window.radius * SIZE).astype(int)
    gain = np.random.default_rng(14).uniform(0.01, 100.0, index.max() + 1)[index].astype(np.float32)
    before, after = ring_sums(a, b, window, CUTOFF), ring_sums(a * gain, b * gain, window, CUTOFF)
    assert_allclose(after.correlation, before.correlation, atol=1e-6)  # spectra are float32


def test_noise_only_shows_no_resolution() -> None:
    """Independent noise crosses the half-bit curve beyond ring 5 in at most 5 % of runs (Grigorieff 2000: no bias)."""
    rng = np.random.default_rng(15)
    window = whole_window((128, 128))
    fooled = 0
    for _ in range(100):
        a, b = (windowed_spectrum(rng.standard_normal((128, 128)), window) for _ in range(2))
        found = resolution_of(ring_sums(a, b, window))
        fooled += found.half_bit_px is not None and 1.0 / found.half_bit_px > found.rings.frequency_cyc_per_px[5]
    assert fooled <= 5
