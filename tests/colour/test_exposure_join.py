"""Two exposures in one linear picture: nothing lost, no seam, less noise, the ratio without bias."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from stacker.colour.exposures import Ratio, join, measure_ratio, trust

SATURATION, FACTOR, OFFSET = 4095.0, 30.0, 15.0
NOISE = 1.0
ROWS, COLUMNS = np.mgrid[:128, :160]


def scene() -> np.ndarray:
    """A planet of 2000 with moons of 4 to 20, in the short exposure's units."""
    y, x = ROWS - 64.0, COLUMNS - 70.0
    light = np.clip(24 - np.hypot(y, x) + 0.5, 0, 1) * (2000 + 300 * np.sin(y / 4))
    for column, peak in ((20, 20), (130, 8), (148, 4)):
        light = light + peak * np.exp(-((ROWS - 60) ** 2 + (COLUMNS - column) ** 2) / 6)
    return np.asarray(gaussian_filter(light, 1.3))


def exposures(seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, NOISE, (2, *ROWS.shape))
    long = np.minimum(FACTOR * scene() + OFFSET, SATURATION) + noise[1]
    return (scene() + noise[0]).astype(np.float32), long.astype(np.float32)


def joined(short: np.ndarray, long: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    variance = np.full(short.shape, NOISE**2, np.float32)
    trusted = trust(long, SATURATION)
    ratio = measure_ratio(short, long, trusted, (NOISE, NOISE))
    return join((short, variance), (long, variance), trusted, [ratio])


def test_the_ratio_is_found_without_bias() -> None:
    """Mean of 20 draws within a third of what one is said to scatter by; a fitted line would be biased low."""
    found = []
    for seed in range(20):
        short, long = exposures(seed)
        found.append(measure_ratio(short, long, trust(long, SATURATION), (NOISE, NOISE)))
    factors = np.array([ratio.factor for ratio in found])
    assert factors.mean() == pytest.approx(FACTOR, abs=found[0].factor_error)
    assert factors.std() < 2 * found[0].factor_error
    assert np.mean([ratio.offset_adu for ratio in found]) == pytest.approx(OFFSET, abs=1)


def test_clipped_pixels_count_for_nothing() -> None:
    short, long = exposures()
    trusted = trust(long, SATURATION)
    assert trusted[long > 0.8 * SATURATION].max() == 0
    assert trusted[:, :30].min() > 0.99
    assert np.abs(np.diff(trusted, axis=1)).max() < 0.35


def test_light_is_kept_in_bright_and_faint() -> None:
    """The whole within 1e-4 of the truth, with the true ratio; moons within the noise of their aperture."""
    short, long = exposures()
    variance = np.full(short.shape, NOISE**2, np.float32)
    image, _, _ = join((short, variance), (long, variance), trust(long, SATURATION), [Ratio(FACTOR, 0, OFFSET)])
    assert image.sum(dtype=float) == pytest.approx(scene().sum(), rel=1e-4)
    image = joined(short, long)[0]
    image -= np.median(image[:30])
    for column in (20, 130, 148):
        box = np.s_[52:69, max(column - 8, 0) : column + 9]
        assert image[box].sum() == pytest.approx(scene()[box].sum(), abs=0.03 * scene()[box].sum() + 3 * 17 / FACTOR)


def test_there_is_no_seam() -> None:
    """Along the change from one to the other the error is noise alone, nowhere a step."""
    short, long = exposures()
    image, _, share = joined(short, long)
    change = (share > 0.01) & (share < 0.99)
    assert change.sum() > 100
    error = image - scene()
    assert abs(error[change].mean()) < 0.3 * NOISE
    assert np.abs(error[change]).max() < 5 * NOISE


def test_noise_is_what_the_variance_says() -> None:
    short, long = exposures()
    image, variance, _ = joined(short, long)
    sky = np.s_[:30, :]
    assert (image - scene())[sky].std() == pytest.approx(np.sqrt(variance[sky].mean()), rel=0.1)
    assert (image - scene())[sky].std() < 1.1 * NOISE / FACTOR
    assert variance[64, 70] == pytest.approx(NOISE**2, rel=1e-3)


def test_colours_share_the_trust_and_have_ratios_of_their_own() -> None:
    short, long = exposures()
    tints, factors = (1.0, 0.8, 0.5), (30.0, 28.0, 33.0)
    shorts = np.stack([short * tint for tint in tints], 2)
    longs = np.stack(
        [np.minimum(factor * scene() * tint, SATURATION) for tint, factor in zip(tints, factors, strict=True)], 2
    )
    variance = np.ones_like(shorts)
    ratios = [Ratio(factor, 0, 0) for factor in factors]
    image, _, share = join((shorts, variance), (longs.astype(np.float32), variance), trust(longs, SATURATION), ratios)
    assert share.shape == short.shape
    for k, tint in enumerate(tints):
        assert np.abs(image[..., k] - tint * scene()).max() < 5


@pytest.mark.parametrize(
    ("short", "long", "words"),
    [
        (np.ones((40, 40)), np.full((40, 40), 4095.0), "clipped nearly everywhere"),
        (np.random.default_rng(1).normal(0, 1, (128, 160)), 30 * scene() % 2000, "shows nothing"),
    ],
)
def test_what_cannot_be_joined_is_said(short: np.ndarray, long: np.ndarray, words: str) -> None:
    pair = short.astype(np.float32), long.astype(np.float32)
    with pytest.raises(ValueError, match=words):
        measure_ratio(*pair, trust(pair[1], SATURATION), (NOISE, NOISE))


@pytest.mark.parametrize("seeing_px", [2.0, 3.0])
def test_unlike_seeing_leaves_no_step_in_the_sky(seeing_px: float) -> None:
    """A long exposure in rougher air spreads the limb's light; where it begins and ends the sky goes on."""
    rng = np.random.default_rng(7)
    noise = rng.normal(0, NOISE, (2, *ROWS.shape))
    short = (scene() + noise[0]).astype(np.float32)
    long = np.minimum(FACTOR * gaussian_filter(scene(), seeing_px) + OFFSET, SATURATION) + noise[1]
    image = joined(short, long.astype(np.float32))[0]
    sky = np.s_[2:20, 2:-2]
    assert np.median(image[sky]) - np.median(scene()[sky]) == pytest.approx(0, abs=0.2 * NOISE)
