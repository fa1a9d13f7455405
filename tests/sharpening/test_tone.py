"""From linear light to the shown picture: colours gentle, nothing clipped that was not clipped."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stacker.settings import ColourSettings
from stacker.sharpening.showing import compressed, saturated, tone_for_showing


def planet(kind: str) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    rows, columns = np.mgrid[:120, :120] - 60.0
    mask = np.hypot(rows, columns) < 35 if kind == "disc" else np.ones((120, 120), bool)
    light = np.where(mask, 1 + 0.3 * np.sin(rows / 4) * np.cos(columns / 6), 0)[..., None] * (500, 700, 300)
    return (light + (20, 30, 10) + rng.normal(0, 2, light.shape)).astype(np.float32), mask


@pytest.mark.parametrize("kind", ["disc", "surface"])
def test_nothing_is_clipped_that_was_not(kind: str) -> None:
    """Toe and shoulder bend, they do not cut: different values of a colour stay different, sky noise included."""
    image, mask = planet(kind)
    image[50:53, 50:53] *= 1.5
    tone = tone_for_showing(image, mask, kind, ColourSettings(saturation=1.0))
    shown = tone.apply(image)
    assert shown.max() < 65535
    assert (shown == 0).mean() < 1e-3
    for channel in range(3):
        order = np.argsort(image[..., channel], axis=None)
        assert (np.diff(shown[..., channel].ravel()[order].astype(int)) >= 0).all()


def test_a_balanced_gray_is_gray_in_the_picture() -> None:
    image, mask = planet("disc")
    shown = tone_for_showing(image, mask, "disc", ColourSettings(balance="neutral")).apply(image)
    levels = shown[mask].astype(float).mean(0)
    assert np.ptp(levels) < 0.01 * levels.mean()


def test_saturation_keeps_brightness_and_hue_and_makes_nothing_negative() -> None:
    rng = np.random.default_rng(2)
    image = rng.uniform(0, 100, (40, 40, 3)).astype(np.float32)
    image[:5] *= (1, 0.01, 0.01)
    for factor in (0.0, 0.5, 1.0, 1.3, 3.0):
        done = saturated(image, factor, 5.0)
        assert_allclose(done.mean(2), image.mean(2), rtol=1e-4)
        assert done.min() > -1e-3
        before, after = image - image.mean(2, keepdims=True), done - done.mean(2, keepdims=True)
        assert ((before * after).sum(2) >= -1e-3).all()
    assert_allclose(saturated(image, 1.0, 5.0), image, rtol=1e-5, atol=1e-4)
    bright = image.mean(2) > 5
    assert np.ptp(saturated(image, 0.0, 5.0)[bright], axis=1).max() < 1e-3


def test_the_linear_image_is_left_as_it_is() -> None:
    image, mask = planet("disc")
    before = image.copy()
    tone_for_showing(image, mask, "disc").apply(image)
    assert_array_equal(image, before)


def test_a_mono_picture_has_no_balance() -> None:
    image, mask = planet("disc")
    tone = tone_for_showing(image[..., 1], mask, "disc", ColourSettings(saturation=3.0))
    assert tone.balance is None
    assert tone.apply(image[..., 1]).shape == (120, 120)


def test_bright_and_faint_drawn_together_keep_order_and_colour() -> None:
    """Lupton et al. 2004 (PASP 116, 133): asinh is linear when faint, logarithmic when bright, and keeps ratios."""
    image, mask = planet("disc")
    image -= np.array((20, 30, 10), np.float32)
    image[10:14, 10:14] = (3, 4, 2)
    drawn = compressed(image, mask, "disc", 1.0)
    gray = [x.mean(2).ravel() for x in (image, drawn)]
    order = np.argsort(gray[0])
    assert (np.diff(gray[1][order]) >= -1e-3).all()
    before, after = image[mask], drawn[mask]
    assert_allclose(after[:, 0] / after[:, 1], before[:, 0] / before[:, 1], rtol=0.02)
    assert drawn[12, 12].mean() / drawn[mask].mean() > 2 * image[12, 12].mean() / image[mask].mean()
    mono = compressed(image[..., 1], mask, "disc", 1.0)
    assert mono[12, 12] / np.median(mono[mask]) > 2 * image[12, 12, 1] / np.median(image[mask][:, 1])
