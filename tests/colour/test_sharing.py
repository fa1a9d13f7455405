"""Colours that show the same help each other; colours that do not are left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter
from skimage.data import moon

from stacker.colour import share_detail
from stacker.colour.sharing import mixing
from stacker.stacking.record import Stack

SIDE = 192
INNER = np.s_[16:-16, 16:-16]


def moon_part(number: int) -> np.ndarray:
    """Return a part of scikit-image's picture of the Moon, blurred as optics do, mean 0."""
    row, column = divmod(number, 2)
    part = moon()[40 + 220 * row :, 40 + 220 * column :][:SIDE, :SIDE].astype(float)
    part = gaussian_filter(part, 1.3)
    return np.asarray(part - part.mean())


def halves_of(scenes: list[np.ndarray], noise: tuple[float, float, float], seed: int = 1) -> Stack:
    """Return a stack of three colours with white noise of the given standard deviation in the mean."""
    rng = np.random.default_rng(seed)
    truth = np.stack(scenes, 2) + 100
    a, b = (truth + rng.normal(0, 1, truth.shape) * np.array(noise) * np.sqrt(2) for _ in range(2))
    image, a, b = (part.astype(np.float32) for part in ((a + b) / 2, a, b))
    ones = np.ones_like(image)
    return Stack(image, ones, 50 * ones, a, b, np.ones(truth.shape[:2], bool), "surface", None, np.ones(1))


def in_band(image: np.ndarray, low: float, high: float) -> float:
    """Return the power between two frequencies (cycles per px) under a Hann window."""
    window = np.outer(np.hanning(len(image)), np.hanning(len(image[0])))
    power = np.abs(np.fft.fft2((image - image.mean()) * window)) ** 2
    radius = np.hypot(np.fft.fftfreq(len(image))[:, None], np.fft.fftfreq(len(image[0]))[None])
    return float(power[(radius > low) & (radius < high)].sum())


def test_alike_colours_of_equal_noise_have_a_third_of_it_where_detail_stands_out() -> None:
    """The mean of three equal measurements has 1/3 of the variance (elementary); 15 % for what had to be measured."""
    scene = moon_part(0)
    before = halves_of([scene] * 3, (1.5, 1.5, 1.5))
    after = share_detail(before)
    for colour in range(3):
        left = [in_band(stack.image[..., colour] - scene, 0.05, 0.15) for stack in (before, after)]
        assert left[1] / left[0] == pytest.approx(1 / 3, rel=0.15)


def test_one_picture_three_times_over_stays_what_it_was() -> None:
    """Colours with one and the same noise have nothing to tell each other, and no inverse without care."""
    stack = halves_of([moon_part(0)] * 3, (1.5, 1.5, 1.5))
    image, half_a, half_b = (np.repeat(part[..., :1], 3, 2) for part in (stack.image, stack.half_a, stack.half_b))
    shared = share_detail(replace(stack, image=image, half_a=half_a, half_b=half_b))
    # 1e-4 of the noise: float32 transforms.
    assert_allclose(shared.image, image, atol=1.5e-4 * 10)


def test_a_noisy_colour_draws_on_a_clean_one_and_not_the_reverse() -> None:
    scene = moon_part(1)
    before = halves_of([0.7 * scene, scene, 0.5 * scene], (3.0, 0.6, 3.0))
    after = share_detail(before)
    for colour, gain in enumerate((0.7, 1.0, 0.5)):
        left = [in_band(stack.image[..., colour] - gain * scene, 0.02, 0.2) for stack in (before, after)]
        assert left[1] < (1.0 if colour == 1 else 0.5) * left[0]


def test_noise_that_colours_share_is_not_traded_for_what_no_half_knows_of() -> None:
    """Air stirs blue more than red, and both halves repeat errors that are unlike in each colour: a difference of
    colours is free of the former and full of the latter. Believing all that the noises have in common adds 6 to 8 % to
    the error of clear detail; a twenty-fifth is too much."""
    scene, rng = moon_part(0), np.random.default_rng(6)
    repeated = [15 * gaussian_filter(rng.normal(0, 1, (SIDE, SIDE)), 1.5) for _ in range(3)]
    halves = []
    for _ in range(2):
        air = gaussian_filter(rng.normal(0, 20, (SIDE, SIDE)), 1.5)
        shown = [scene + stirred * air + own for stirred, own in zip((1, 1.2, 1.4), repeated, strict=True)]
        halves.append((np.stack(shown, 2) + rng.normal(0, 0.3, (SIDE, SIDE, 3))).astype(np.float32))
    before = replace(halves_of([scene] * 3, (1, 1, 1)), image=sum(halves) / 2, half_a=halves[0], half_b=halves[1])
    after = share_detail(before)
    for colour in range(3):
        left = [in_band(stack.image[..., colour] - scene, 0.02, 0.1) for stack in (before, after)]
        assert np.sqrt(left[1] / left[0]) < 1.04


def test_unlike_colours_stay_as_they_are() -> None:
    """Three unlike parts of the Moon: sharing may not add a twentieth to any error."""
    scenes = [moon_part(number) for number in range(3)]
    before = halves_of(scenes, (2.0, 2.0, 2.0))
    after = share_detail(before)
    for colour, scene in enumerate(scenes):
        left = [np.std((stack.image[..., colour] - scene)[INNER]) for stack in (before, after)]
        assert left[1] < 1.05 * left[0]


def test_noise_alone_is_not_shared() -> None:
    before = halves_of([np.zeros((SIDE, SIDE))] * 3, (1.0, 1.0, 1.0))
    after = share_detail(before)
    assert np.std(after.image - before.image) < 0.1
    correlation = np.corrcoef(after.image.reshape(-1, 3).T)
    assert np.abs(correlation - np.eye(3)).max() < 0.05


def test_each_colour_keeps_light_and_the_power_its_halves_share() -> None:
    """Light to 1e-6; the halves' cross power, which is the contrast squared, to 3 %."""
    scene = moon_part(2)
    before = halves_of([0.6 * scene, scene, 0.4 * scene], (2.0, 1.0, 2.0))
    after = share_detail(before)
    assert_allclose(after.image.sum((0, 1), dtype=float), before.image.sum((0, 1), dtype=float), rtol=1e-6)
    for colour, gain in enumerate((0.6, 1.0, 0.4)):
        a, b = after.half_a[..., colour], after.half_b[..., colour]
        shared = (in_band((a + b) / 2, 0.02, 0.12) - in_band((a - b) / 2, 0.02, 0.12)) / gain**2
        assert shared == pytest.approx(in_band(scene, 0.02, 0.12), rel=0.03)


def test_the_variance_tells_how_much_noise_is_left() -> None:
    scene = moon_part(0)
    before = halves_of([scene] * 3, (2.0, 2.0, 2.0))
    after = share_detail(before)
    for colour in range(3):
        left = [np.var((stack.image[..., colour] - scene)[INNER]) for stack in (before, after)]
        assert after.variance[..., colour].mean() == pytest.approx(left[1] / left[0], rel=0.1)


def test_clean_colours_mono_and_single_halves_are_returned_as_they_are() -> None:
    scene = moon_part(0)
    clean = halves_of([scene, 0.5 * scene, scene.T], (0.0, 0.0, 0.0))
    assert_allclose(share_detail(clean).image, clean.image, atol=1e-3)
    mono = replace(clean, image=clean.image[..., 0], half_a=clean.half_a[..., 0], half_b=clean.half_b[..., 0])
    assert share_detail(mono) is mono
    single = replace(clean, half_b=np.zeros_like(clean.half_b))
    assert share_detail(single) is single


def test_two_measurements_of_one_thing_are_weighed_by_their_variances() -> None:
    """Weights inversely as the variances: 4 : 1 for noise 1 and 2 (elementary); the third colour shows nothing."""
    common = np.zeros((1, 3, 3))
    common[0, :2, :2] = 1e4
    share = mixing(common, np.diag([1.0, 4.0, 1.0])[None], np.array([1e6]))
    assert_allclose(share[0, 0, :2], [0.8, 0.2], atol=1e-3)
    assert_allclose(share[0, 2], [0, 0, 1], atol=1e-3)


def test_drowned_detail_is_shared_as_the_coarser_detail_that_stands_out() -> None:
    """Alike colours weigh inversely as their variances, 16 : 16 : 1 of 33 (elementary), scaled to their contrasts;
    unlike ones, and any without coarser detail, not at all."""
    noise = np.tile(np.diag([1.0, 1.0, 16.0]), (2, 1, 1))
    contrast = np.array([1.0, 1.0, 0.5])
    alike, unlike, none = np.outer(contrast, contrast), np.diag(contrast**2), np.zeros((3, 3))
    for coarse, wanted in (
        (alike, contrast[:, None] * np.array([1, 1, 0.5 / 16]) / (2 + 0.25 / 16)),
        (unlike, np.eye(3)),
        (none, np.eye(3)),
    ):
        share = mixing(np.stack([1e4 * coarse, none]), noise, np.array([1e4, 1e4]))
        assert_allclose(share[1], wanted, atol=1e-6)


def test_fine_noise_of_alike_colours_falls_where_no_detail_can_be_told() -> None:
    """Of detail blurred to nothing beyond .35 cycles per px three equal measurements leave 1/3 of the noise, in the
    mean over the colours (elementary); 15 % for what had to be measured."""
    scene = gaussian_filter(moon_part(0), 1.0)
    before = halves_of([scene] * 3, (3.0, 3.0, 3.0))
    after = share_detail(before)
    left = [[in_band(stack.image[..., c] - scene, 0.35, 0.5) for c in range(3)] for stack in (before, after)]
    assert sum(left[1]) / sum(left[0]) == pytest.approx(1 / 3, rel=0.15)
    assert max(left[1]) < 0.6 * min(left[0])


@pytest.mark.parametrize(("blur_px", "leaves"), [(2.0, 0.02), (0.0, 1.0)])
def test_the_pattern_of_a_mosaic_goes_where_optics_show_nothing_so_fine(blur_px: float, leaves: float) -> None:
    """A smooth difference between pixels of two parities; on a scene as sharp as the pixels it cannot be told apart."""
    rows, columns = np.mgrid[:SIDE, :SIDE]
    smooth = 3 + 2 * np.sin(rows / 11) * np.cos(columns / 9)
    scene = gaussian_filter(np.random.default_rng(5).normal(0, 300, (SIDE, SIDE)), blur_px) if blur_px else None
    scene = np.random.default_rng(5).normal(0, 60, (SIDE, SIDE)) if scene is None else scene
    clean = halves_of([scene] * 3, (1.0, 1.0, 1.0))
    for alternating in ((-1.0) ** rows, (-1.0) ** columns, (-1.0) ** (rows + columns)):
        pattern = (smooth * alternating)[..., None].astype(np.float32)
        striped = replace(clean, image=clean.image + pattern)
        left = share_detail(striped, "RGGB").image - share_detail(clean, "RGGB").image
        assert np.var(left[INNER]) / np.var(pattern[INNER]) == pytest.approx(leaves, abs=0.05)
        assert share_detail(striped).image[INNER].std() > 0


def test_taking_the_pattern_out_leaves_detail_alone() -> None:
    clean = halves_of([moon_part(0)] * 3, (0.5, 0.5, 0.5))
    plain, cleared = share_detail(clean), share_detail(clean, "RGGB")
    for colour in range(3):
        assert in_band(cleared.image[..., colour] - plain.image[..., colour], 0, 0.33) < 1e-3 * in_band(
            plain.image[..., colour], 0.2, 0.33
        )
