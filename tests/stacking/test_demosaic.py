"""The demosaic against the paper's own properties and against another implementation of it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.ndimage import gaussian_filter
from skimage.data import astronaut

from stacker.capture.mosaic import colour_offsets
from stacker.stacking.demosaic import demosaic
from stacker.stacking.warping import colour_masks

MOSAICS = ["RGGB", "BGGR", "GRBG", "GBRG"]


def sampled(scene: np.ndarray, mosaic: str) -> np.ndarray:
    return np.asarray((scene * colour_masks(scene.shape[:2], mosaic)).sum(2), np.float32)


def psnr(found: np.ndarray, scene: np.ndarray) -> float:
    inner = np.s_[8:-8, 8:-8]
    return float(10 * np.log10(255**2 / np.mean((found[inner] - scene[inner]) ** 2)))


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_as_good_as_another_implementation_of_the_paper(mosaic: str) -> None:
    """The package colour-demosaicing, `demosaicing_CFA_Bayer_Malvar2004`: within 0.3 dB, and the same values."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("warnings.warn", lambda *_, **__: None)
        from colour_demosaicing import demosaicing_CFA_Bayer_Malvar2004
    scene = gaussian_filter(astronaut()[:192, 150:342].astype(float), (0.7, 0.7, 0))
    raw = sampled(scene, mosaic)
    ours, theirs = demosaic(raw, mosaic), demosaicing_CFA_Bayer_Malvar2004(raw, mosaic)
    assert abs(psnr(ours, scene) - psnr(theirs, scene)) < 0.3
    assert psnr(ours, scene) > 36
    assert_allclose(ours[4:-4, 4:-4], theirs[4:-4, 4:-4], atol=1e-3)


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_measured_samples_stay(mosaic: str) -> None:
    raw = np.random.default_rng(1).normal(100, 20, (12, 14)).astype(np.float32)
    full = demosaic(raw, mosaic)
    for channel, cells in enumerate(colour_offsets(mosaic).values()):
        for row, column in cells:
            assert_array_equal(full[row::2, column::2, channel], raw[row::2, column::2])


@pytest.mark.parametrize("mosaic", MOSAICS)
def test_a_gray_plane_and_a_tint_come_back_exactly(mosaic: str) -> None:
    """The filters sum to 1 and to 0 as the paper wants: linear brightness and constant hue are reproduced."""
    rows, columns = np.mgrid[:24, :20].astype(np.float32)
    gray = np.repeat((50 + 3 * rows + 2 * columns)[..., None], 3, 2)
    inner = np.s_[3:-3, 3:-3]
    assert_allclose(demosaic(sampled(gray, mosaic), mosaic)[inner], gray[inner], rtol=1e-5)
    tint = np.broadcast_to(np.array([80, 100, 40], np.float32), (24, 20, 3))
    assert_allclose(demosaic(sampled(tint, mosaic), mosaic), tint, rtol=1e-5)


def test_a_target_is_kept_in_light() -> None:
    """A blurred spot well inside the frame: flux of each colour to 1e-4."""
    rows, columns = np.mgrid[:64, :64] - 31.3
    spot = np.exp(-(rows**2 + columns**2) / 50)[..., None] * np.array([500, 900, 300])
    found = demosaic(sampled(spot.astype(np.float32), "GRBG"), "GRBG").sum((0, 1), dtype=float)
    assert found == pytest.approx(spot.sum((0, 1)), rel=1e-4)
