"""Sharpening: closer to the truth, honest in noise, calm at the limb."""

import dataclasses
import importlib.util
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stacker.measuring.limb import limb_overshoot
from stacker.measuring.resolution import measure_resolution
from stacker.measuring.spectra import analysis_window
from stacker.settings import SharpeningSettings
from stacker.sharpening import sharpen, stretch_for_showing

_spec = importlib.util.spec_from_file_location("sharpening_scenes", Path(__file__).with_name("conftest.py"))
assert _spec and _spec.loader
scenes = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(scenes)

CUTOFF = scenes.CUTOFF
SETTINGS = SharpeningSettings()


def inside(mask: np.ndarray, depth_px: int = 8) -> np.ndarray:
    """Return the mask less a rim."""
    kernel = np.ones((2 * depth_px + 1, 2 * depth_px + 1), np.uint8)
    return cv2.erode(np.pad(mask.astype(np.uint8), 1), kernel, borderValue=0)[1:-1, 1:-1] > 0


@pytest.mark.parametrize("kind", ["disc", "surface"])
@pytest.mark.parametrize("fried", [2.5, 4.0, 6.0])
def test_the_error_against_the_truth_falls_below_forty_percent(make_stack, kind: str, fried: float) -> None:
    """Known air is undone: the error inside the target is at most 0.4 of the stack's own."""
    stack, truth = make_stack(kind, fried=fried)
    result = sharpen(stack, SETTINGS, CUTOFF, 0.3)
    where = inside(stack.mask)
    own, now = (scenes.error_inside(i, truth, where) for i in (stack.image, result.image))
    assert result.note == ""
    assert now < 0.4 * own


@pytest.mark.parametrize("fried", [2.5, 4.0, 6.0])
def test_the_air_is_read_from_the_powers(make_stack, fried: float) -> None:
    """D/r0 comes back within a fifth of what blurred the scene (over three scenes' median)."""
    found = [sharpen(make_stack("surface", fried=fried, seed=s)[0], SETTINGS, CUTOFF, 0.3) for s in (1, 2, 3)]
    assert_allclose(np.median([f.aperture_over_r0 for f in found]), fried, rtol=0.2)


def test_without_single_powers_the_air_is_taken_as_mild(make_stack) -> None:
    """Where no frame power was kept, mild air is assumed and said so, and the image still gains."""
    stack, truth = make_stack("surface", fried=4.0)
    result = sharpen(dataclasses.replace(stack, frame_power=None), SETTINGS, CUTOFF, 0.3)
    where = inside(stack.mask)
    assert "mild" in result.note
    assert scenes.error_inside(result.image, truth, where) < scenes.error_inside(stack.image, truth, where)


@pytest.mark.parametrize("kind", ["disc", "surface"])
def test_level_and_scale_are_kept(make_stack, kind: str) -> None:
    """The mean is the stack's; a stack three times as bright is sharpened to three times the image."""
    stack, _ = make_stack(kind)
    result = sharpen(stack, SETTINGS, CUTOFF, 0.3)
    assert result.image.dtype == np.float32
    assert_allclose(result.image.mean(dtype=float), stack.image.mean(dtype=float), rtol=1e-5)
    three = {name: 3 * getattr(stack, name) for name in ("image", "half_a", "half_b")}
    bright = sharpen(dataclasses.replace(stack, **three, frame_power=9 * stack.frame_power), SETTINGS, CUTOFF, 0.3)
    assert_allclose(bright.image, 3 * result.image, rtol=2e-3, atol=0.5)


def test_same_stack_same_bytes(make_stack) -> None:
    """Nothing depends on chance."""
    stack, _ = make_stack()
    assert_array_equal(sharpen(stack, SETTINGS, CUTOFF, 0.3).image, sharpen(stack, SETTINGS, CUTOFF, 0.3).image)


@pytest.mark.parametrize("kind", ["disc", "surface"])
@pytest.mark.parametrize("seed", range(8))
def test_noise_is_not_sharpened(make_stack, kind: str, seed: int) -> None:
    """A stack without detail comes out no sharper than it went in, and says why."""
    stack, _ = make_stack(kind, contrast=0.0, noise=20.0, seed=seed)
    result = sharpen(stack, SETTINGS, CUTOFF, 0.3)
    where = inside(stack.mask, 16)
    before, after = (cv2.Laplacian(i, cv2.CV_32F)[where].std() for i in (stack.image, result.image))
    assert after <= 1.0001 * before


def test_smooth_ground_beside_detail_stays_smooth(make_stack) -> None:
    """The local gate: a featureless quarter of a surface gets less noise than the same filter would give it."""
    stack, _ = make_stack("surface", size=256, noise=1.0, contrast=0.3, flat=96)
    result = sharpen(stack, SETTINGS, CUTOFF, 0.3)
    assert result.aperture_over_r0 is not None
    quiet = np.s_[16:80, 16:80]
    ground, detail = (
        cv2.GaussianBlur(i, (0, 0), 1.5) - cv2.GaussianBlur(i, (0, 0), 4.0) for i in (stack.image, result.image)
    )
    gain_on_ground = detail[quiet].std() / ground[quiet].std()
    gain_on_detail = detail[112:240, 112:240].std() / ground[112:240, 112:240].std()
    assert gain_on_ground < 0.6 * gain_on_detail


@pytest.mark.parametrize("fried", [3.0, 5.0])
def test_the_limb_neither_rings_inside_nor_outside(make_stack, fried: float) -> None:
    """Overshoot within 1.5 % of the disc's level on either side, measured with and without the telescope's own fall."""
    stack, truth = make_stack("disc", size=224, fried=fried, contrast=0.06)
    seen = limb_overshoot(sharpen(stack, SETTINGS, CUTOFF, 0.3).image, stack.mask)
    own = limb_overshoot(truth, stack.mask)
    assert seen is not None and own is not None
    assert seen.inside_percent <= own.inside_percent + 1.5
    assert seen.outside_percent <= 1.5


def test_sharpening_does_not_change_what_the_halves_resolve(make_stack) -> None:
    """The correlation of finished image and truth reaches at least as far as that of stack and truth."""
    stack, truth = make_stack("surface", fried=4.0, noise=2.0)
    result = sharpen(stack, SETTINGS, CUTOFF, 0.3)
    window = analysis_window(stack.mask, stack.kind)
    before, after = (measure_resolution(i, truth, window).half_bit_px for i in (stack.image, result.image))
    assert before is not None and after is not None
    assert after <= 1.05 * before


def test_colours_share_the_air_each_at_its_cutoff(make_stack) -> None:
    """Three equal planes at one cutoff come out equal; the shape is the stack's."""
    stack, _ = make_stack("surface", size=128)
    names = ("image", "variance", "coverage", "half_a", "half_b")
    colour = dataclasses.replace(stack, **{n: np.repeat(getattr(stack, n)[..., None], 3, 2) for n in names})
    mono = sharpen(stack, SETTINGS, CUTOFF, 0.3).image
    result = sharpen(colour, SETTINGS, (CUTOFF, CUTOFF, CUTOFF), 0.3)
    assert result.image.shape == (128, 128, 3)
    for k in range(3):
        assert_array_equal(result.image[..., k], mono)
    shorter = sharpen(colour, SETTINGS, (0.29, CUTOFF, 0.38), 0.3)
    assert shorter.gains.shape == (3, SETTINGS.planes)
    assert shorter.gains[0, 1] < shorter.gains[2, 1]  # blue suffers more air


def test_where_few_frames_saw_the_border_it_stays_as_it_was(make_stack) -> None:
    """Coverage falling to a tenth along one side fades the sharpening out."""
    stack, _ = make_stack("surface")
    coverage = stack.coverage.copy()
    coverage[:, :20] = 0.1 * scenes.FRAMES
    result = sharpen(dataclasses.replace(stack, coverage=coverage), SETTINGS, CUTOFF, 0.3)
    shift = result.image.mean() - stack.image.mean()
    change = np.abs(result.image - stack.image - shift)
    assert change[:, :12].max() < 0.05 * change[:, 60:].max()


def test_strength_scales_what_is_undone(make_stack) -> None:
    """Strength 0 undoes no air; one half undoes less than 1."""
    stack, _ = make_stack("surface")
    gains = [sharpen(stack, SharpeningSettings(strength=s), CUTOFF, 0.3).gains[0, 2] for s in (0.0, 0.5, 1.0)]
    assert gains[0] <= 1.0 < gains[1] < gains[2]


@pytest.mark.parametrize("size", [10, 16, 30])
def test_tiny_targets_are_handled(make_stack, size: int) -> None:
    """A target of a few pixels is sharpened or left alone, never an error."""
    stack, _ = make_stack("disc", size=size)
    result = sharpen(stack, SETTINGS, CUTOFF, 0.3)
    assert result.image.shape == stack.image.shape and np.isfinite(result.image).all()


def test_no_telescope_no_error(make_stack) -> None:
    """An unknown telescope still gives an image."""
    stack, _ = make_stack("disc")
    assert np.isfinite(sharpen(stack, SETTINGS, None, 0.0).image).all()


@pytest.mark.parametrize("kind", ["disc", "surface"])
def test_picture_for_showing_uses_the_range(make_stack, kind: str) -> None:
    """16 bit, rising with brightness, the target's median near the middle, little clipped."""
    stack, truth = make_stack(kind)
    shown = stretch_for_showing(truth, stack.mask, kind)
    assert shown.dtype == np.uint16 and shown.shape == truth.shape
    order = np.argsort(truth, axis=None)
    assert (np.diff(shown.reshape(-1)[order].astype(int)) >= 0).all()
    assert 0.4 < np.median(shown[stack.mask]) / 65535 < 0.6
    assert (shown == 65535).mean() < 0.01
    colour = stretch_for_showing(np.repeat(truth[..., None], 3, 2), stack.mask, kind)
    assert_allclose(colour[..., 0].astype(int), shown.astype(int), atol=2)


def test_a_flat_picture_is_shown_black() -> None:
    """Nothing to show is no error."""
    assert stretch_for_showing(np.full((20, 20), 7, np.float32), np.ones((20, 20), bool), "surface").max() == 0
