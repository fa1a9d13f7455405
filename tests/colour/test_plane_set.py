"""Pictures through several filters come onto each other, and keep their light; luminance gives detail, not colour."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import fourier_shift, gaussian_filter
from skimage.data import moon

from stacker.colour.luminance import with_luminance
from stacker.colour.plane_set import Plane, laid, moved_plane, register

RNG = np.random.default_rng(1)


def moved(image: np.ndarray, shift_px: tuple[float, float]) -> np.ndarray:
    return np.asarray(np.fft.ifft2(fourier_shift(np.fft.fft2(image), shift_px)).real)


def disc(
    middle: tuple[float, float] = (64.0, 64.0), contrast: float = 0.2, shape: tuple[int, int] = (128, 128)
) -> tuple[np.ndarray, np.ndarray]:
    rows, columns = np.indices(shape, float)
    y, x = rows - middle[0], columns - middle[1]
    light = np.clip(30 - np.hypot(y, x) + 0.5, 0, 1) * (1 + contrast * np.sin(y / 3 + 0.5 * np.sin(x / 5)))
    return gaussian_filter(1000 * light, 1.3), np.hypot(y, x) < 30


def plane(name: str, image: np.ndarray, mask: np.ndarray, kind: str = "disc", noise: float = 1.0) -> Plane:
    noisy = (image + 20 + RNG.normal(0, noise, image.shape)).astype(np.float32)
    return Plane(name, noisy, np.ones_like(noisy), np.full_like(noisy, 9), 1.0 * noisy, mask, kind)


def test_discs_far_apart_on_frames_of_unlike_size() -> None:
    """A planet that drifted between the captures, recorded with another crop: 0.05 px."""
    reference = plane("G", *disc())
    other = plane("R", *disc((85.3, 101.6), contrast=0.12, shape=(140, 160)))
    shift = register(other, reference)
    assert (shift.dy_px, shift.dx_px) == pytest.approx((21.3, 37.6), abs=0.05)
    there = moved_plane(other, shift, (128, 128))
    assert there.image.shape == (128, 128)
    again = register(there, reference)
    assert np.hypot(again.dy_px, again.dx_px) < 0.03


def test_surfaces_far_apart() -> None:
    """scikit-image's Moon, 20 px apart, in unlike strength: 0.05 px."""
    scene = gaussian_filter(moon().astype(float), 1.2)
    cut = np.s_[100:356, 100:356]
    whole = np.ones((256, 256), bool)
    reference = plane("R", scene[cut], whole, "surface")
    other = plane("IR", 0.6 * moved(scene, (12.4, -19.7))[cut], whole, "surface")
    shift = register(other, reference)
    assert (shift.dy_px, shift.dx_px) == pytest.approx((12.4, -19.7), abs=0.06)
    assert (moved_plane(other, shift, (256, 256)).coverage == 0).any()


def test_a_disc_of_unlike_details_is_laid_by_its_outline() -> None:
    """Nothing but noise in common: the middle of the outline, with an error that says so."""
    rows, columns = np.mgrid[:96, :96]
    mask = np.hypot(rows - 40, columns - 52) < 20
    featureless = plane("CH4", RNG.normal(0, 50, (96, 96)), mask)
    shift = register(featureless, plane("G", *disc()))
    assert (shift.dy_px, shift.dx_px) == pytest.approx((-24, -12), abs=0.5)
    assert shift.error_px > 0.2


@pytest.mark.parametrize("whole", [(0, 0), (5, -7), (-130, 3), (40, 200)])
def test_whole_pixels_are_laid_like_a_roll_without_the_wrap(whole: tuple[int, int]) -> None:
    image = RNG.normal(size=(60, 70)).astype(np.float32)
    expected = np.full((50, 80), 7, np.float32)
    for row in range(50):
        for column in range(80):
            y, x = row + whole[0], column + whole[1]
            if 0 <= y < 60 and 0 <= x < 70:
                expected[row, column] = image[y, x]
    assert np.array_equal(laid(image, whole, (50, 80), 7), expected)


def test_a_moved_plane_keeps_its_light() -> None:
    """Well inside the frame, by 0.37 and -0.42 px and some whole ones: 1e-4."""
    image, mask = disc((70.37, 49.58))
    before = Plane("R", *(image.astype(np.float32),) * 4, mask, "disc")
    after = moved_plane(before, register(before, plane("G", *disc())), (128, 128))
    assert after.image.sum(dtype=float) == pytest.approx(image.sum(), rel=1e-4)
    assert after.finished.sum(dtype=float) == pytest.approx(image.sum(), rel=1e-4)


def test_luminance_gives_detail_and_colour_gives_light() -> None:
    """Each colour's light is kept to 1e-4; the picture's noise is the luminance's, its detail too."""
    image, mask = disc()
    sharp = image.astype(np.float32)
    colours = np.stack([gaussian_filter(image * tint, 2.0) + 10 * tint for tint in (1.0, 0.8, 0.4)], 2)
    noisy = (colours + RNG.normal(0, 60, colours.shape)).astype(np.float32)
    done = with_luminance(sharp, noisy, mask, "disc")
    for k in range(3):
        assert done[..., k].sum(dtype=float) == pytest.approx(noisy[..., k].sum(dtype=float), rel=1e-4)
        inside = np.hypot(*(np.indices(mask.shape) - 64.0)) < 24
        alike = np.corrcoef(done[..., k][inside], image[inside])[0, 1]
        assert alike > np.corrcoef(noisy[..., k][inside], image[inside])[0, 1] + 0.05
        assert alike > 0.97
    red, green, blue = (done[..., k][inside].mean() - 10 * tint for k, tint in enumerate((1.0, 0.8, 0.4)))
    assert (green / red, blue / red) == pytest.approx((0.8, 0.4), rel=0.03)


def test_luminance_of_a_surface_keeps_the_light_of_each_colour() -> None:
    scene = gaussian_filter(moon().astype(float), 1)[128:256, 128:256].astype(np.float32)
    colours = np.stack([scene * 0.9, scene * 1.1, scene * 0.7], 2)
    done = with_luminance(scene, colours, np.ones(scene.shape, bool), "surface")
    assert done.sum((0, 1), dtype=float) == pytest.approx(colours.sum((0, 1), dtype=float), rel=1e-4)
    assert np.abs(done - colours).max() < 0.05 * colours.max()
