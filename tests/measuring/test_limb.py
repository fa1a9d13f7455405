"""Ringing at the limb: none is seen where there is none, and what there is is seen."""

import numpy as np
import pytest
import scipy.fft
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from stacker.measuring.limb import limb_overshoot, limb_profile
from stacker.sky.optics import diffraction_transfer

Image = NDArray[np.float32]
SIZE, RADIUS = 200, 60.0


def disc(darkening: float = 0.6, flattening: float = 0.0, angle: float = 0.4) -> tuple[NDArray[np.float64], Image]:
    """Return a disc drawn four times finer and binned, 100 in the middle, and its mask."""
    fine = 4
    y, x = (np.mgrid[: SIZE * fine, : SIZE * fine] + 0.5) / fine - SIZE / 2 - 0.3
    across, along = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    squared = (across / RADIUS) ** 2 + (along / (RADIUS * (1 - flattening))) ** 2
    bright = 100.0 * np.where(squared < 1, 1 - darkening * (1 - np.sqrt(np.clip(1 - squared, 0, None))), 0)
    binned = bright.reshape(SIZE, fine, SIZE, fine).mean((1, 3))
    return binned, binned > 5


def frequency() -> NDArray[np.float64]:
    """Return the frequency of each mode in cycles per pixel."""
    return np.asarray(np.hypot(scipy.fft.fftfreq(SIZE)[:, None], scipy.fft.rfftfreq(SIZE)[None]))


def passed(image: NDArray[np.float64], transfer: NDArray[np.float64]) -> Image:
    """Return the image through a transfer."""
    return scipy.fft.irfft2(scipy.fft.rfft2(image) * transfer, image.shape).astype(np.float32)


@pytest.mark.parametrize("darkening", [0.0, 0.6])
@pytest.mark.parametrize("flattening", [0.0, 0.065])
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_an_unsharpened_disc_reads_zero(darkening: float, flattening: float, noise: float) -> None:
    """Diffraction with an obstruction, and noise of 1 %, leave less than 0.3 % on either side."""
    scene, mask = disc(darkening, flattening)
    image = passed(scene, diffraction_transfer(frequency() / 0.3, 0.3))
    image += noise * np.random.default_rng(1).standard_normal(image.shape, dtype=np.float32)
    seen = limb_overshoot(image, mask)
    assert seen is not None
    assert seen.inside_percent < 0.3 and seen.outside_percent < 0.3


def test_a_sharp_cut_rings_as_gibbs_says() -> None:
    """An edge cut at one frequency rises 8.95 % above its level after a trough of 4.86 % (Gibbs 1899, Nature 59, 606).

    Outside, it dips by 8.95 %. A disc of 14 periods across comes within 1.5 % of the straight edge.
    """
    scene, mask = disc(0.0)
    seen = limb_overshoot(passed(scene, (frequency() < 0.12).astype(float)), mask)
    assert seen is not None
    assert_allclose((seen.inside_percent, seen.outside_percent), (8.95 + 4.86, 8.95), atol=1.5)


@pytest.mark.parametrize("amount", [0.5, 1.0, 2.0])
def test_unsharp_masking_is_measured(amount: float) -> None:
    """The profile's own extremes, read off a noise-free cut through the disc."""
    scene, mask = disc(0.0)
    soft = gaussian_filter(scene, 2.0)
    image = (soft + amount * (soft - gaussian_filter(soft, 4.0))).astype(np.float32)
    level = float(image[SIZE // 2 - 20 : SIZE // 2 + 20, SIZE // 2 - 20 : SIZE // 2 + 20].mean())
    seen = limb_overshoot(image, mask)
    assert seen is not None
    assert_allclose(seen.inside_percent, 100 * (image.max() / level - 1), rtol=0.06)
    assert_allclose(seen.outside_percent, -100 * image.min() / level, rtol=0.06)


def test_gain_and_offset_do_not_matter() -> None:
    """Percent of the disc's level above the sky."""
    scene, mask = disc(0.0)
    image = passed(scene, (frequency() < 0.15).astype(float))
    one, other = limb_overshoot(image, mask), limb_overshoot(7 * image + 300, mask)
    assert one is not None and other is not None
    assert_allclose(other.inside_percent, one.inside_percent, rtol=1e-3)


def test_the_profile_stands_on_the_limb() -> None:
    """Half the edge's height at distance 0, the radius within 0.1 px."""
    scene, mask = disc(0.0)
    profile = limb_profile(passed(scene, diffraction_transfer(frequency() / 0.3)), mask)
    assert profile is not None
    assert_allclose(np.interp(0.0, profile.distance_px, profile.brightness), 0.5, atol=0.02)
    assert_allclose(profile.radius_px, RADIUS, atol=0.2)


def test_a_dark_half_is_left_out() -> None:
    """A terminator: the lit limb still reads zero."""
    scene, mask = disc(0.0)
    scene[:, : SIZE // 2 - 10] = 0.0
    image = passed(scene, diffraction_transfer(frequency() / 0.3))
    seen = limb_overshoot(image, mask)
    assert seen is None or max(seen.inside_percent, seen.outside_percent) < 0.5


@pytest.mark.parametrize("empty", ["nothing", "few pixels", "flat"])
def test_without_a_limb_there_is_none(empty: str) -> None:
    """None, never an error."""
    mask = np.zeros((60, 60), bool)
    if empty == "few pixels":
        mask[30:33, 30:33] = True
    if empty == "flat":
        mask[10:50, 10:50] = True
    assert limb_overshoot(np.full((60, 60), 5, np.float32), mask) is None
