"""Resolution of half-stacks under the soft window: what it must see and what it must not."""

import numpy as np
import pytest
import scipy.fft
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.ndimage import shift as moved

from stacker.measuring.resolution import measure_resolution
from stacker.measuring.spectra import analysis_window, windowed_power, windowed_spectrum

Image = NDArray[np.float32]


def textured(size: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return texture of unit spread and power f^-3."""
    f = np.maximum(np.hypot(scipy.fft.fftfreq(size)[:, None], scipy.fft.rfftfreq(size)[None]), 1 / size)
    scene = scipy.fft.irfft2(scipy.fft.rfft2(rng.standard_normal((size, size))) * f**-1.5, (size, size))
    return np.asarray(scene / scene.std())


def disc_mask(size: int, radius: float) -> NDArray[np.bool_]:
    """Return a centred disc."""
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    return np.asarray(np.hypot(y, x) <= radius)


def halves(scene: NDArray[np.float64], noise: float, rng: np.random.Generator) -> tuple[Image, Image]:
    """Return a scene twice, each with its own noise."""
    a, b = (scene + noise * rng.standard_normal(scene.shape) for _ in range(2))
    return a.astype(np.float32), b.astype(np.float32)


@pytest.mark.parametrize("kind", ["disc", "surface"])
@pytest.mark.parametrize("scene", ["nothing", "flat disc"])
def test_noise_and_featureless_targets_show_nothing(kind: str, scene: str) -> None:
    """At most 1 of 20 pure noises resolves anything; a limb-darkened disc without detail neither."""
    rng = np.random.default_rng(31)
    mask = disc_mask(128, 50) if kind == "disc" else np.ones((128, 128), bool)
    y, x = np.mgrid[:128, :128] - 63.5
    disc = 500.0 * np.sqrt(np.clip(1 - (np.hypot(y, x) / 52) ** 2, 0, None)) if kind == "disc" else 0 * y + 500.0
    ground = gaussian_filter(disc, 2.0) if scene == "flat disc" else 0 * y
    window = analysis_window(mask, kind)
    found = [measure_resolution(*halves(ground, 5.0, rng), window, 0.33) for _ in range(20)]
    resolved = [f for f in found if f.half_bit_px is not None]
    assert len(resolved) <= 1
    assert all("noise" in f.note for f in found if f.half_bit_px is None)
    assert all(f.information_bits == 0 for f in found if f.half_bit_px is None)


def test_what_the_limb_leaves_is_no_detail() -> None:
    """Four soft spots of 0.2 % on a disc, as blur by the limb leaves them, are refused; of 5 % they are detail."""
    rng = np.random.default_rng(30)
    mask = disc_mask(128, 50)
    y, x = np.mgrid[:128, :128] - 63.5
    spots = np.cos(2 * np.arctan2(y, x)) * np.exp(-((np.hypot(y, x) - 28) ** 2) / 200)
    window = analysis_window(mask, "disc")
    for contrast, resolved in ((0.002, False), (0.05, True)):
        found = measure_resolution(*halves(1000.0 * (1 + contrast * spots), 1.0, rng), window, 0.33)
        assert (found.half_bit_px is not None) == resolved


def test_contrast_is_that_of_the_detail() -> None:
    """Detail of 5 % of the light reads 5 %, whatever the noise (some 300 spots of 4 px: 6 % scatter)."""
    rng = np.random.default_rng(29)
    spots = gaussian_filter(rng.standard_normal((192, 192)), 2.0)
    window = analysis_window(np.ones((192, 192), bool), "surface")
    for noise in (1.0, 20.0):
        found = measure_resolution(*halves(1000.0 * (1 + 0.05 * spots / spots.std()), noise, rng), window, 0.33)
        assert found.contrast == pytest.approx(0.05, rel=0.15)


def test_more_noise_resolves_less_and_holds_fewer_bits() -> None:
    """Resolution in pixels grows and information falls with the noise."""
    rng = np.random.default_rng(32)
    scene = 100.0 * textured(192, rng)
    window = analysis_window(np.ones((192, 192), bool), "surface")
    found = [measure_resolution(*halves(scene, noise, rng), window) for noise in (2.0, 8.0, 32.0)]
    periods = [f.half_bit_px for f in found]
    assert None not in periods and periods == sorted(periods, key=float)
    bits = [f.information_bits for f in found]
    assert bits == sorted(bits, reverse=True)


def test_a_shift_between_the_halves_is_undone() -> None:
    """Halves 1.3 px down and 2.4 px left of each other resolve as much as halves in place; the shift is told."""
    rng = np.random.default_rng(33)
    scene = 100.0 * gaussian_filter(textured(192, rng), 1.0)
    window = analysis_window(np.ones((192, 192), bool), "surface")
    a, b = halves(scene, 1.0, rng)
    off = (moved(scene, (1.3, -2.4), order=5, mode="reflect") + rng.standard_normal(scene.shape)).astype(np.float32)
    here, there = measure_resolution(a, b, window), measure_resolution(a, off, window)
    assert_allclose(there.shift_px, (1.3, -2.4), atol=0.1)
    assert here.half_bit_px and there.half_bit_px
    assert_allclose(there.half_bit_px, here.half_bit_px, rtol=0.05)


def test_detail_stops_where_a_filter_cut_it() -> None:
    """A scene cut at 0.2 cycles per pixel resolves 5 px, however quiet the noise."""
    rng = np.random.default_rng(34)
    spectrum = scipy.fft.rfft2(100.0 * textured(256, rng))
    f = np.hypot(scipy.fft.fftfreq(256)[:, None], scipy.fft.rfftfreq(256)[None])
    scene = scipy.fft.irfft2(np.where(f < 0.2, spectrum, 0), (256, 256))
    window = analysis_window(np.ones((256, 256), bool), "surface")
    found = measure_resolution(*halves(scene, 1.0, rng), window)
    assert found.half_bit_px is not None and found.half_bit_px_error is not None
    assert_allclose(found.half_bit_px, 5.0, rtol=0.1)  # the window leaks by 0.008, a ring is 0.0125 wide
    assert found.half_bit_px_error < 0.5


def test_a_fixed_pattern_is_called_out() -> None:
    """Both halves carry the same pixel pattern: agreement beyond the optical cutoff is told."""
    rng = np.random.default_rng(35)
    scene = 100.0 * gaussian_filter(textured(192, rng), 2.0) + 2.0 * rng.standard_normal((192, 192))
    window = analysis_window(np.ones((192, 192), bool), "surface")
    assert "fixed pattern" in measure_resolution(*halves(scene, 1.0, rng), window, 0.25).note


def test_turned_halves_resolve_the_same() -> None:
    """Rows and columns are treated alike."""
    rng = np.random.default_rng(36)
    a, b = halves(100.0 * textured(160, rng), 5.0, rng)
    mask = disc_mask(160, 60)
    window = analysis_window(mask, "disc")
    plain, turned = measure_resolution(a, b, window), measure_resolution(a.T.copy(), b.T.copy(), window)
    assert plain.half_bit_px and turned.half_bit_px
    assert_allclose(turned.half_bit_px, plain.half_bit_px, rtol=1e-3)


def test_the_disc_window_falls_softly_inside_the_limb() -> None:
    """1 in the middle, 0 at the limb, never outside the mask, and no step above 0.2."""
    mask = disc_mask(120, 45)
    window = analysis_window(mask, "disc")
    whole = np.zeros(mask.shape, np.float32)
    whole[window.rows, window.columns] = window.weight
    assert whole[60, 60] == pytest.approx(1.0) and not whole[~mask].any()
    assert np.abs(np.diff(whole, axis=0)).max() < 0.2


def test_shading_leaves_no_power() -> None:
    """A quadratic surface is removed whole."""
    y, x = np.mgrid[:100, :140] / 100.0
    image = (3 + 2 * y - x + 5 * y * y - 4 * x * y + x * x).astype(np.float32)
    window = analysis_window(np.ones(image.shape, bool), "surface")
    assert windowed_power(image, window).max() < 1e-4 * windowed_power((x > 0.7).astype(np.float32), window).max()


def test_power_is_that_of_the_transform() -> None:
    """White noise of variance 4 has a mean power of 4 times the sum of the squared window."""
    image = 2 * np.random.default_rng(37).standard_normal((128, 128), dtype=np.float32)
    window = analysis_window(np.ones(image.shape, bool), "surface")
    power = windowed_power(image, window)
    assert power.shape == window.spectrum_shape and power.dtype == np.float32
    assert_allclose(power[5:60, 5:60].mean(), 4 * (window.weight**2).sum(), rtol=0.1)
    # The Laplacian leaves little of the lowest frequencies: there single precision shows.
    assert_allclose(power, np.abs(windowed_spectrum(image, window)) ** 2, rtol=1e-5, atol=1e-3 * power.mean())


def test_a_target_of_a_few_pixels_has_no_window() -> None:
    """Less than 8 px across is refused by name."""
    with pytest.raises(ValueError, match="8 px"):
        analysis_window(disc_mask(40, 3), "disc")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_smeared_limb_does_not_pass_for_detail(seed: int) -> None:
    """Detail blurred by 4 px (rms) under noise is resolved to where it fades into the noise, limb or no limb.

    A blur of s px has the transfer exp(-2 (pi s f)^2); texture of amplitude f^-1.5 falls below white noise at a
    frequency that follows from the spectra alone (for two halves, where S / (S + N) is the half-bit curve).
    """
    rng = np.random.default_rng(seed)
    size, blur, noise = 160, 4.0, 0.3
    scene = 1000.0 + 60.0 * textured(size, rng)
    transform = np.abs(scipy.fft.fft2(gaussian_filter(scene, blur, mode="wrap"))) ** 2
    f = np.hypot(*np.meshgrid(scipy.fft.fftfreq(size), scipy.fft.fftfreq(size)))
    bands = np.arange(0.02, 0.4, 0.01)
    signal = np.array([transform[abs(f - band) < 0.01].mean() for band in bands])
    agreement = signal / (signal + (noise * size) ** 2)
    faded = bands[np.flatnonzero(agreement < 0.3)[0]]
    mask = disc_mask(size, 70)
    seen = gaussian_filter(np.where(mask, scene, 0.0), blur)
    found = measure_resolution(*halves(seen, noise, rng), analysis_window(mask, "disc"), 0.33)
    assert found.half_bit_px is not None
    assert abs(found.half_bit_px * faded - 1.0) < 0.15
