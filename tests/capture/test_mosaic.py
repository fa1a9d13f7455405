"""The colour mosaic: where colours lie, and a luminance free of its pattern and of any shift."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy import ndimage

from stacker.capture.circumstances import MOSAICS
from stacker.capture.mosaic import colour_offsets, luminance


def mosaicked(colour: NDArray[Any], mosaic: str) -> NDArray[Any]:
    """Sample (H, W, 3) through the pattern: the plain definition."""
    raw = np.empty(colour.shape[:2], colour.dtype)
    for row in (0, 1):
        for column in (0, 1):
            raw[row::2, column::2] = colour[row::2, column::2, "RGB".index(mosaic[2 * row + column])]
    return raw


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_offsets_pick_each_colour(mosaic: str) -> None:
    """Cells listed for a colour hold that colour; together they are the whole cell."""
    colour = np.broadcast_to(np.array([10, 20, 30], np.uint16), (8, 8, 3))
    raw = mosaicked(colour, mosaic)
    cells = colour_offsets(mosaic)
    for name, value in (("R", 10), ("G", 20), ("B", 30)):
        for row, column in cells[name]:
            assert_array_equal(raw[row::2, column::2], value)
    assert sorted(sum(cells.values(), [])) == [(0, 0), (0, 1), (1, 0), (1, 1)]


def test_unknown_mosaic() -> None:
    """A name that is no pattern is refused."""
    with pytest.raises(ValueError, match="none of RGGB"):
        colour_offsets("RGBX")
    with pytest.raises(ValueError, match="none of RGGB"):
        luminance(np.zeros((4, 4), np.uint8), "RGBX")


@pytest.mark.parametrize("mosaic", MOSAICS)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("shape", [(12, 16), (13, 17)])
def test_uniform_colour_gives_no_pattern(mosaic: str, dtype: Any, shape: tuple[int, int]) -> None:
    """R : G : B = 1 : 2 : 1 at every pixel, borders included."""
    colour = np.broadcast_to(np.array([40, 100, 220], dtype), (*shape, 3))
    assert_allclose(luminance(mosaicked(colour, mosaic), mosaic), (40 + 2 * 100 + 220) / 4, rtol=1e-6)


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_luminance_does_not_shift(mosaic: str) -> None:
    """A point-symmetric scene keeps its centroid whatever the phase of the pattern."""
    rows, columns = np.mgrid[:64, :64].astype(float)
    spot = 4000 * np.exp(-((rows - 31.3) ** 2 + (columns - 30.6) ** 2) / (2 * 5.0**2))
    colour = np.stack([0.5 * spot, spot, 0.8 * spot], axis=-1).astype(np.float32)
    found = ndimage.center_of_mass(luminance(mosaicked(colour, mosaic), mosaic))
    # The pattern's sidebands lie above the spot's spectrum: 5 px Gaussian, exp(-2 pi^2 25 / 4) is nothing.
    assert_allclose(found, (31.3, 30.6), atol=1e-3)


def test_luminance_equals_its_plain_twin() -> None:
    """The quick filter is the textbook convolution with mirrored borders."""
    raw = np.random.default_rng(5).integers(0, 4096, (21, 34)).astype(np.uint16)
    kernel = np.outer([1, 2, 1], [1, 2, 1]) / 16
    assert_allclose(luminance(raw, "RGGB"), ndimage.convolve(raw.astype(float), kernel, mode="mirror"), rtol=1e-6)


def test_gray_and_colour_frames() -> None:
    """Gray is converted only; full colour is weighed like the mosaic; out is used."""
    rng = np.random.default_rng(6)
    gray = rng.integers(0, 4096, (9, 11)).astype(np.uint16)
    assert_array_equal(luminance(gray, None), gray)
    colour = rng.integers(0, 4096, (9, 11, 3)).astype(np.uint16)
    out = np.empty((9, 11), np.float32)
    assert luminance(colour, None, out) is out
    assert_allclose(out, colour @ np.array([0.25, 0.5, 0.25]), rtol=1e-6)
