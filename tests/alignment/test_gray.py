"""One gray plane of colours that stand apart: no pattern, no shift, each colour fetched from where it stands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import shift

from stacker.alignment import spread
from stacker.alignment.gray import Gray, sampled
from stacker.alignment.planes import PlaneSource
from stacker.alignment.region import plan_region
from stacker.calibration.defects import DefectRepair
from stacker.capture.in_memory import Film
from stacker.ranking.record import Target

Make = Callable[..., Any]
MOSAICS = ("RGGB", "GRBG", "GBRG", "BGGR")
APART_PX = np.array([[-1.7, 0.6], [0.0, 0.0], [1.3, -0.4]])
TOGETHER = np.zeros((3, 2))


def seen_through(colour: np.ndarray, mosaic: str) -> np.ndarray:
    """Return the raw (..., H, W) that a mosaic leaves of (..., H, W, 3)."""
    raw = np.empty(colour.shape[:-1], colour.dtype)
    for place, name in enumerate(mosaic):
        cell = (..., slice(place // 2, None, 2), slice(place % 2, None, 2))
        raw[cell] = colour[..., "RGB".index(name)][cell]
    return raw


def plane_of(rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    return np.asarray(500 + 3 * rows - 2 * columns + 0.02 * rows**2 - 0.01 * rows * columns, np.float32)


def test_a_quadratic_is_sampled_exactly() -> None:
    """Keys 1981: with a = -1/2 cubic convolution reproduces polynomials of the second degree."""
    image = plane_of(*np.indices((40, 50), np.float64))
    rows, columns = np.indices((20, 30), np.float64)
    assert_allclose(sampled(image, (7.3, 9.8), (20, 30)), plane_of(rows + 7.3, columns + 9.8), rtol=1e-6)


def test_beyond_its_borders_a_frame_is_mirrored() -> None:
    image = np.random.default_rng(0).normal(size=(12, 14)).astype(np.float32)
    mirrored = np.pad(image, 6, mode="symmetric")
    assert_allclose(sampled(image, (-6, -6), mirrored.shape), mirrored, atol=1e-6)


@pytest.mark.parametrize("step", [1, 2])
@pytest.mark.parametrize("mosaic", MOSAICS)
def test_merged_colours_lie_where_they_should(mosaic: str, step: int) -> None:
    """Each colour a quadratic that stands elsewhere: fetched back, all three are one; so is the gray of them."""
    rows, columns = np.indices((48, 60), np.float64)
    colour = np.stack([plane_of(rows - down, columns - right) for down, right in APART_PX], -1)
    raw = seen_through(colour, mosaic)
    shape = (32 // step, 40 // step)
    merged = Gray(mosaic, APART_PX).plane(raw, (6, 8), shape, step)
    at = np.indices(shape, np.float64) * step + (step - 1) / 2
    assert_allclose(merged, plane_of(at[0] + 6, at[1] + 8), rtol=2e-6)


def test_full_colour_is_merged_alike() -> None:
    rows, columns = np.indices((48, 60), np.float64)
    colour = np.stack([plane_of(rows - down, columns - right) for down, right in APART_PX], -1)
    merged = Gray(None, APART_PX).plane(colour, (6, 8), (32, 40), 1)
    at = np.indices((32, 40), np.float64)
    assert_allclose(merged, plane_of(at[0] + 6, at[1] + 8), rtol=2e-6)


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_colours_of_unlike_brightness_leave_no_pattern(mosaic: str) -> None:
    raw = seen_through(np.broadcast_to(np.array([60, 100, 40], np.float32), (20, 24, 3)), mosaic)
    for step in (1, 2):
        assert_allclose(Gray(mosaic, APART_PX).plane(raw, (0, 0), (16, 16), step), 75, rtol=1e-6)


@pytest.mark.parametrize("side_px", [96, 56])
def test_the_spread_is_found(side_px: int, disc: Make) -> None:
    """Of a disc, whole in every frame or cut by some: what stays with the frame must not hold the colours."""
    still = disc(radius_px=26, side_px=120, count=1, warp_rms_px=0, motion_px=0).frames[0].astype(np.float32)
    rng = np.random.default_rng(3)
    coarse = rng.normal(0, 3, (24, 2))
    first = (120 - side_px) // 2
    inner = np.s_[first : first + side_px, first : first + side_px]
    colour = np.stack(
        [np.stack([shift(still, moved + apart, order=3)[inner] for apart in APART_PX], -1) for moved in coarse]
    )
    raw = seen_through(colour + rng.normal(0, 300, colour.shape), "RGGB").astype(np.float32)
    rows, columns = np.indices((side_px, side_px)) - (side_px - 1) / 2
    mask = np.hypot(rows, columns) < 26
    target = Target("disc", ((side_px - 1) / 2,) * 2, 26.0, mask)
    region = plan_region(target, mask.shape)
    film = Film(raw, mosaic="RGGB")
    repair = DefectRepair(np.zeros(mask.shape, bool), "RGGB")
    source = PlaneSource(film, repair, region, np.arange(24), coarse, np.ones(24), 1, finest=2)
    assert_allclose(spread.measure_spread(source, list(range(24))), APART_PX, atol=0.15)


def test_colours_without_detail_are_taken_where_they_lie() -> None:
    raw = np.random.default_rng(1).normal(1000, 30, (16, 64, 64)).astype(np.float32)
    target = Target("surface", (31.5, 31.5), 32.0, np.ones((64, 64), bool))
    repair = DefectRepair(np.zeros((64, 64), bool), "RGGB")
    region = plan_region(target, (64, 64))
    source = PlaneSource(Film(raw, mosaic="RGGB"), repair, region, np.arange(16), np.zeros((16, 2)), np.ones(16), 1, 2)
    assert not spread.measure_spread(source, list(range(16))).any()


def test_colours_that_stand_apart_do_not_spoil_the_alignment(
    lunar: Make, aligned: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seven pixels between red and blue: taken where they lie, they blur what the fields are found by."""
    moving = lunar(count=24, seed=6, snr=8)
    apart = np.array([[-3.5, 0.0], [0.0, 0.0], [3.5, 0.0]])
    colour = np.stack([[shift(f.astype(np.float32), a, order=3) for f in moving.frames] for a in apart], -1)
    frames = np.clip(seen_through(colour, "RGGB"), 0, 65535).astype(np.uint16)

    def left(measured: bool) -> float:
        if not measured:
            monkeypatch.setattr(spread, "measure_spread", lambda *_: TOGETHER)
        found = aligned(frames, "surface", mosaic="RGGB")
        fields, truth = found.displacement_px[:, :, :192, :192], moving.displacement_px[found.alignment.frames]
        error = fields - truth
        return float(np.sqrt(((error - error.mean(0))[:, :, 16:-16, 16:-16] ** 2).mean()))

    together, where_they_lie = left(True), left(False)
    assert together < 0.85 * where_they_lie
