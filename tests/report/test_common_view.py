"""Pictures of one target come to the same scale, place and orientation."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.ndimage import rotate, shift, zoom

from stacker.report.common_view import View, common_views

Picture = NDArray[np.uint8]


def _planet(size: int = 200, radius: float = 60.0) -> Picture:
    """Return a disc with belts and spots, north up, slightly soft, off the middle by half a pixel at most."""
    random = np.random.default_rng(4)
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    spots = cv2.GaussianBlur(random.normal(0, 1, (size, size)), (0, 0), 4.0)
    belts = 0.12 * np.sin(y / 6.0) + 1.2 * spots
    disc = 1 / (1 + np.exp((np.hypot(y, x) - radius) / 1.2))
    return np.asarray(np.clip(230 * disc * (0.75 + belts), 0, 255), np.uint8)


def _likeness(one: Picture, other: Picture) -> float:
    detail = [
        cv2.GaussianBlur(p.astype(float), (0, 0), 1.5) - cv2.GaussianBlur(p.astype(float), (0, 0), 9)
        for p in (one, other)
    ]
    return float(np.corrcoef(detail[0].ravel(), detail[1].ravel())[0, 1])


def _radius(picture: Picture) -> float:
    return float(np.sqrt((picture > 0.4 * np.percentile(picture, 99)).sum() / np.pi))


@pytest.mark.parametrize(("angle", "mirrored"), [(0.0, False), (40.0, False), (-115.0, False), (40.0, True)])
def test_what_is_told_of_north_and_scale_is_undone(angle: float, mirrored: bool) -> None:
    """A picture turned counter-clockwise by `angle` (scipy's rotate), mirrored, moved and half as large again."""
    planet = _planet()
    turned = rotate(planet.astype(float), angle, reshape=False, order=3)
    if mirrored:
        turned = turned[:, ::-1]
    other = np.clip(zoom(shift(turned, (6, -9)), 1.5, order=3), 0, 255).astype(np.uint8)
    # Counter-clockwise from up; a mirror image shows it clockwise.
    north = -angle if mirrored else angle
    found = common_views(
        [
            View(planet, True, 0.3, north_angle_deg=0.0),
            View(other, True, 0.2, north_angle_deg=north % 360.0, mirrored=mirrored),
        ]
    )
    one, two = found.pictures
    assert one.shape == two.shape and found.north_up and found.notes == ()
    assert_allclose(_radius(one), _radius(two), rtol=0.02)
    assert _likeness(one, two) > 0.9
    # The finer scale, enlarged for a close look: a disc of 60 px of 0.3 arcsec.
    assert found.scale_arcsec_per_px is not None
    assert_allclose(_radius(one) * found.scale_arcsec_per_px, 60 * 0.3, rtol=0.05)


@pytest.mark.parametrize(("angle", "mirrored"), [(25.0, False), (170.0, False), (70.0, True)])
def test_where_north_is_not_known_the_detail_tells(angle: float, mirrored: bool) -> None:
    """Nothing is said of the second picture but its scale: it is turned, and mirrored, until it fits the first."""
    planet = _planet()
    turned = np.clip(rotate(planet.astype(float), angle, reshape=False, order=3), 0, 255).astype(np.uint8)
    other = np.ascontiguousarray(turned[:, ::-1]) if mirrored else turned
    found = common_views([View(planet, True, 0.3, north_angle_deg=0.0), View(other, True, 0.3)])
    assert found.notes == () and _likeness(*found.pictures) > 0.9


def test_a_stranger_stays_as_captured_and_it_is_said() -> None:
    planet, plain = _planet(), np.full((200, 200), 0, np.uint8)
    cv2.circle(plain, (100, 100), 60, 200, -1, cv2.LINE_AA)
    found = common_views([View(planet, True, 0.3, north_angle_deg=0.0), View(plain, True, 0.3)])
    assert "picture 2 stands as captured" in found.notes[0]


def test_without_scales_the_discs_tell_and_without_discs_pixels_stand_for_pixels() -> None:
    small, large = _planet(), np.asarray(zoom(_planet(), 2.0, order=1), np.uint8)
    by_disc = common_views([View(small, True, disc_radius_px=60.0), View(large, True, disc_radius_px=120.0)])
    assert by_disc.scale_arcsec_per_px is None and "those of the discs" in by_disc.notes[0]
    assert_allclose(*(_radius(picture) for picture in by_disc.pictures), rtol=0.02)
    ground = np.asarray(
        cv2.GaussianBlur(np.random.default_rng(1).integers(0, 255, (150, 200)).astype(np.uint8), (0, 0), 2)
    )
    unknown = common_views([View(ground, False), View(ground[:, 10:], False)])
    assert "a scale is not known" in unknown.notes[0]
    assert unknown.pictures[0].shape == unknown.pictures[1].shape


def test_surfaces_are_laid_over_each_other() -> None:
    """Half the scale and another pointing: the same ground in the same place, 0.9 alike where both saw it."""
    random = np.random.default_rng(2)
    ground = cv2.GaussianBlur(random.normal(0, 1, (500, 600)), (0, 0), 4.0)
    picture = np.asarray(np.clip(128 + 500 * ground, 0, 255), np.uint8)
    fine = picture[50:450, 60:540]
    coarse = np.asarray(cv2.resize(picture[60:460, 80:560], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    found = common_views([View(fine, False, 0.2), View(coarse, False, 0.4)])
    middle = slice(100, 300), slice(100, 380)
    assert _likeness(found.pictures[0][middle], found.pictures[1][middle]) > 0.9


def test_colour_and_gray_go_together_and_nothing_is_written_into_what_was_given() -> None:
    planet = _planet()
    colour = np.repeat(planet[..., None], 3, 2)
    kept = colour.copy()
    found = common_views([View(planet, True, 0.3, north_angle_deg=0.0), View(colour, True, 0.3, north_angle_deg=30.0)])
    assert [picture.ndim for picture in found.pictures] == [2, 3]
    assert (colour == kept).all()
    with pytest.raises(ValueError, match="no picture"):
        common_views([])
