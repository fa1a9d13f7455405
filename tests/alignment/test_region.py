"""The aligned region: it covers the target, keeps the phase of a mosaic, and its tiles join without a seam."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stacker.alignment.record import whole_offset
from stacker.alignment.region import SKY_PX, TILE_PX, Region, plan_region
from stacker.ranking.record import Target


def surface(shape: tuple[int, int]) -> Target:
    return Target("surface", (shape[0] / 2, shape[1] / 2), float(np.hypot(*shape)) / 2, np.ones(shape, bool))


def disc(shape: tuple[int, int], centre: tuple[float, float], radius: float) -> Target:
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return Target("disc", centre, radius, np.hypot(rows - centre[0], columns - centre[1]) < radius)


CASES = [
    (surface((256, 320)), (256, 320)),
    (surface((3000, 2000)), (3000, 2000)),
    (surface((251, 333)), (251, 333)),
    (disc((200, 240), (90.3, 131.8), 40), (200, 240)),
    (disc((200, 240), (20, 230), 40), (200, 240)),
    (disc((64, 64), (31, 33), 6), (64, 64)),
    (disc((1500, 1800), (740, 900), 600), (1500, 1800)),
]
IDS = ["surface", "large surface", "odd surface", "disc", "cut disc", "12 px disc", "large disc"]


@pytest.mark.parametrize(("target", "shape"), CASES, ids=IDS)
def test_the_box_covers_the_target_with_its_sky(target: Target, shape: tuple[int, int]) -> None:
    region = plan_region(target, shape)
    margin = 0 if target.kind == "surface" else SKY_PX - 1
    for axis, (corner, size) in enumerate(zip((region.top, region.left), region.shape, strict=True)):
        hit = np.flatnonzero(target.mask.any(1 - axis))
        assert corner <= hit[0] - margin
        assert corner + size >= hit[-1] + 1 + margin
        assert size < (hit[-1] - hit[0]) + 2 * SKY_PX + 18


@pytest.mark.parametrize(("target", "shape"), CASES, ids=IDS)
def test_even_corners_and_multiples_of_sixteen(target: Target, shape: tuple[int, int]) -> None:
    """A mosaic's 2 x 2 cell keeps its phase, and the region, its tiles and their corners divide by every binning."""
    region = plan_region(target, shape)
    assert region.top % 2 == region.left % 2 == 0
    assert not (np.array(region.shape) % 16).any()
    assert not (np.array(region.tile_shape) % 16).any()
    assert not (np.array(region.tiles) % 16).any()


@pytest.mark.parametrize(("target", "shape"), CASES, ids=IDS)
def test_tiles_cover_the_region_and_blend_to_one(target: Target, shape: tuple[int, int]) -> None:
    region, binning = plan_region(target, shape), 4
    height, width = (size // binning for size in region.tile_shape)
    total = np.zeros((region.shape[0] // binning, region.shape[1] // binning))
    for (row, column), weight in zip(region.tiles, region.blend(binning), strict=True):
        assert weight.shape == (height, width)
        assert (weight >= 0).all()
        total[row // binning :, column // binning :][:height, :width] += weight
    assert_allclose(total, 1, atol=1e-5)


def test_a_large_frame_is_planned_in_tiles_of_bounded_size() -> None:
    """6 Mpx: the work on one tile stays that of a small camera's frame, neighbours overlap."""
    region = plan_region(surface((3000, 2000)), (3000, 2000))
    assert len(region.tiles) == 24
    assert max(region.tile_shape) <= TILE_PX + 16
    corners = sorted({row for row, _ in region.tiles})
    assert max(np.diff(corners)) <= region.tile_shape[0] - 64
    assert plan_region(surface((480, 640)), (480, 640)).tiles == ((0, 0),)


def test_the_cut_is_the_plane_moved_and_mirrored_beyond_it() -> None:
    """numpy.pad(mode="symmetric") is the slow twin."""
    region = plan_region(disc((200, 240), (20, 230), 40), (200, 240))
    plane = np.random.default_rng(5).normal(size=(200, 240)).astype(np.float32)
    padded = np.pad(plane, 100, mode="symmetric")
    for offset in ((0, 0), (-6, 4), (30, -22)):
        top, left = region.top + offset[0] + 100, region.left + offset[1] + 100
        expected = padded[top : top + region.shape[0], left : left + region.shape[1]]
        assert_array_equal(region.cut(plane, offset), expected)


def test_windows_fall_to_nothing_at_the_border_and_are_one_inside() -> None:
    for region in (plan_region(surface((256, 320)), (256, 320)), plan_region(*CASES[3])):
        window = region.window(2)
        assert window.shape == (region.shape[0] // 2, region.shape[1] // 2)
        assert max(window[0].max(), window[-1].max(), window[:, 0].max(), window[:, -1].max()) < 0.03
        assert window.max() == pytest.approx(1, abs=1e-3)


def test_the_limb_is_outside_the_taper() -> None:
    """The window around a disc is one wherever the target is, moved by up to 8 px too."""
    target, shape = CASES[3]
    region: Region = plan_region(target, shape)
    grown = np.pad(target.mask, 40)[region.top + 40 :, region.left + 40 :][: region.shape[0], : region.shape[1]]
    window = region.window(1)
    for moved in ((-8, 0), (8, 0), (0, 8), (0, -8)):
        assert window[np.roll(grown, moved, (0, 1))].min() > 0.85


@pytest.mark.parametrize("coarse", [(0.0, 0.0), (0.99, -0.99), (1.01, -1.01), (17.4, -33.3)])
def test_whole_offsets_are_even_and_leave_at_most_a_pixel(coarse: tuple[float, float]) -> None:
    offset = np.array(whole_offset(np.array(coarse)))
    assert not (offset % 2).any()
    assert np.abs(np.array(coarse) - offset).max() <= 1.0
