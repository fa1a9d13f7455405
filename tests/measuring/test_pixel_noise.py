"""Noise of stacks and of single frames."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import distance_transform_edt, gaussian_filter

from stacker.measuring.noise import frame_noise, level, sky_of, stack_noise

WHERE = np.ones((200, 240), bool)


def test_white_noise_is_read_as_it_is() -> None:
    """Within 2 % from 48,000 pixels, for a frame and for the mean of two halves (Immerkaer 1996; 1.4826 MAD)."""
    rng = np.random.default_rng(41)
    a, b = (3.0 * rng.standard_normal(WHERE.shape, dtype=np.float32) + 500 for _ in range(2))
    assert_allclose(frame_noise(a, WHERE), 3.0, rtol=0.02)
    assert_allclose(stack_noise(a, b, WHERE), 3.0 / np.sqrt(2), rtol=0.02)


def test_structure_does_not_count() -> None:
    """Slopes, curves, a limb and blurred texture add less than 5 % to a frame's noise."""
    rng = np.random.default_rng(42)
    y, x = np.mgrid[:200, :240] / 100.0
    scene = 300 * y + 200 * x * x + 400 * (np.hypot(y - 1, x - 1.2) < 0.8)
    scene = gaussian_filter(scene + 200 * gaussian_filter(rng.standard_normal(WHERE.shape), 4), 1.5)
    noisy = (scene + 3.0 * rng.standard_normal(WHERE.shape)).astype(np.float32)
    assert_allclose(frame_noise(noisy, WHERE), 3.0, rtol=0.05)


def test_a_cloud_between_the_halves_does_not_count() -> None:
    """Slow differences are no noise."""
    rng = np.random.default_rng(43)
    a, b = (3.0 * rng.standard_normal(WHERE.shape, dtype=np.float32) for _ in range(2))
    b += np.linspace(0, 40, 240, dtype=np.float32)
    assert_allclose(stack_noise(a, b, WHERE), 3.0 / np.sqrt(2), rtol=0.03)


def test_level_is_above_the_sky_for_a_disc() -> None:
    """100 on a sky of 20; a surface has no sky to compare with."""
    mask = np.zeros((100, 100), bool)
    mask[30:70, 30:70] = True
    image = np.where(mask, 120.0, 20.0).astype(np.float32)
    assert level(image, mask, "disc") == pytest.approx(100.0)
    assert level(image, np.ones_like(mask), "surface") == pytest.approx(20.0)


def test_sky_begins_beyond_a_tenth_of_the_target_to_the_pixel(monkeypatch: pytest.MonkeyPatch) -> None:
    """A square of 50 px: (3, 4) from its corner is 5 px away, a tenth, and no sky, whatever the last digit says.

    Distances by SciPy's exact transform.
    """
    mask = np.zeros((100, 120), bool)
    mask[20:70, 30:80] = True
    found = sky_of(mask)
    assert not found[72, 83] and found[73, 83]
    np.testing.assert_array_equal(found, distance_transform_edt(~mask) > 5)
    exact = cv2.distanceTransform
    for digit in (-np.inf, np.inf):
        monkeypatch.setattr(cv2, "distanceTransform", lambda *a, to=digit: np.nextafter(exact(*a), np.float32(to)))
        np.testing.assert_array_equal(sky_of(mask), found)


def test_no_pixel_is_refused() -> None:
    """Nothing to measure on."""
    with pytest.raises(ValueError, match="no pixel"):
        frame_noise(np.zeros((9, 9), np.float32), np.zeros((9, 9), bool))
