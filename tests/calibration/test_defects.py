"""Hot, dead and stuck pixels are found in the capture itself, and real detail is not taken for them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from stacker.calibration.defects import DefectRepair, find_defects, repair
from stacker.capture import Film

SHAPE = (160, 200)


def scene(kind: str, seed: int) -> NDArray[np.float64]:
    """Return a surface, or a disc on sky, larger than the frame, as the optics show it (Gaussian of 1.3 px)."""
    rng = np.random.default_rng(seed)
    shape = (SHAPE[0] + 60, SHAPE[1] + 60)
    detail = sum(ndimage.gaussian_filter(rng.normal(size=shape), s) * s for s in (0.0, 1.5, 4, 10))
    image = 1000 + 250 * detail / detail.std()
    if kind == "disc":
        rows, columns = np.mgrid[: shape[0], : shape[1]]
        image = np.where(np.hypot(rows - shape[0] / 2, columns - shape[1] / 2) < 50, image, 60)
    return np.asarray(ndimage.gaussian_filter(image, 1.3))


def film(kind: str, motion_px: float, mosaic: bool = False, seed: int = 1) -> tuple[Film, Any, Any]:
    """Return 120 exposures with 40 hot, 25 dead and 5 stuck pixels, by how many ADU each is off, and the shifts."""
    rng = np.random.default_rng(seed)
    image = scene(kind, seed)
    shift = np.round(rng.normal(0, motion_px, (120, 2)))
    gain = np.ones(SHAPE)
    if mosaic:
        gain[::2, ::2], gain[1::2, 1::2] = 0.5, 0.35
    bad = rng.choice(SHAPE[0] * SHAPE[1], 70, replace=False)
    off_adu = np.zeros(SHAPE)
    frames = np.empty((120, *SHAPE), np.uint16)
    for frame, (dy, dx) in zip(frames, shift.astype(int), strict=True):
        level = gain * image[30 - dy : 30 - dy + SHAPE[0], 30 - dx : 30 - dx + SHAPE[1]]
        raw = level + rng.normal(0, np.sqrt(25 + 0.5 * level))
        raw.ravel()[bad[:40]] += np.linspace(150, 2500, 40)
        raw.ravel()[bad[40:65]] = rng.normal(20, 5, 25)
        raw.ravel()[bad[65:]] = 1000
        off_adu.ravel()[bad] += (raw - level).ravel()[bad] / 120
        frame[...] = np.clip(raw, 0, 4095)
    return Film(frames, 12, mosaic="RGGB" if mosaic else None), off_adu, shift


@pytest.mark.parametrize("mosaic", [False, True])
@pytest.mark.parametrize("motion_px", [0.0, 4.0])
@pytest.mark.parametrize("kind", ["surface", "disc"])
def test_defects_are_found_and_detail_is_not(kind: str, motion_px: float, mosaic: bool) -> None:
    """At least 95 % of those that show, at most 1e-4 of the pixels (3 of 32000) by mistake, moving or not.

    What shows: 100 ADU off the mean; where the target stands still its detail (250 ADU rms) hides up to 200. In a
    mosaic that does not move at all, pixels of one colour sample detail so coarsely that 85 % must do.
    """
    capture, off_adu, shift = film(kind, motion_px, mosaic)
    found = find_defects(capture, range(120), shift)
    shows = np.abs(off_adu) > (100 if motion_px else 200)
    assert shows.sum() > 40
    share = 0.95 if motion_px or not mosaic else 0.85
    assert (found & shows).sum() >= share * shows.sum()
    assert (found & (off_adu == 0)).sum() <= 3


def test_noise_alone_has_no_defects() -> None:
    frames = np.random.default_rng(3).normal(500, 20, (60, *SHAPE)).astype(np.uint16)
    assert find_defects(Film(frames, 12), range(60), np.zeros((60, 2))).sum() <= 1


def test_pixels_that_are_never_numbers_are_defects() -> None:
    frames = np.random.default_rng(4).normal(500, 20, (20, 40, 50)).astype(np.float32)
    frames[:, 7, 9] = np.nan
    frames[3, 20, 20] = np.inf
    found = find_defects(Film(frames, 12), range(20), np.zeros((20, 2)))
    assert np.argwhere(found).tolist() == [[7, 9]]


def test_too_few_frames_find_nothing() -> None:
    frames = np.zeros((3, 20, 20), np.uint8)
    frames[:, 5, 5] = 200
    assert not find_defects(Film(frames, 12), range(3), np.zeros((3, 2))).any()


def test_repair_uses_sound_neighbours_of_the_same_colour() -> None:
    """In a mosaic whose colours are constant the repaired frame is the undisturbed one, corners and pairs included."""
    frame = np.tile(np.array([[10, 20], [30, 40]], np.uint16), (8, 8))
    defects = np.zeros(frame.shape, bool)
    for row, column in ((0, 0), (5, 5), (5, 7), (15, 15), (8, 3), (8, 4)):
        defects[row, column] = True
    broken = frame.copy()
    broken[defects] = 4000
    repaired = repair(broken, defects, "RGGB")
    np.testing.assert_array_equal(repaired, frame)
    assert repaired.dtype == frame.dtype
    assert broken[0, 0] == 4000


def test_repair_in_place_of_colour_and_of_nan() -> None:
    """Full colour frames are repaired per channel; a float frame's stray nan goes too."""
    colour = np.full((10, 12, 3), (5, 6, 7), np.uint8)
    defects = np.zeros((10, 12), bool)
    defects[4, 4] = True
    colour[4, 4] = 255
    assert DefectRepair(defects)(colour, colour) is colour
    assert colour[4, 4].tolist() == [5, 6, 7]
    image = np.ones((10, 12), np.float32)
    image[2, 3] = np.nan
    np.testing.assert_array_equal(repair(image, np.zeros((10, 12), bool)), 1)


def test_a_plane_is_repaired_exactly() -> None:
    """The mean of the symmetric neighbours of a pixel on a sloping plane is the plane (linear interpolation)."""
    rows, columns = np.mgrid[:20, :30]
    plane = (3.0 * rows + 2.0 * columns).astype(np.float32)
    defects = np.zeros(plane.shape, bool)
    defects[7, 11] = True
    broken = plane.copy()
    broken[7, 11] = -900
    np.testing.assert_allclose(repair(broken, defects), plane, rtol=1e-6)
