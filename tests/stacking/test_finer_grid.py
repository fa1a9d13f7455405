"""Finer pixels than the camera's: flux, place, detail beyond the camera's Nyquist frequency, honest variance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import scipy.fft
from drizzle.resample import Drizzle
from numpy.testing import assert_allclose

from stacker.capture.circumstances import Camera, Circumstances, Telescope
from stacker.measuring.metrics import measure_stack
from stacker.settings import StackingSettings
from stacker.stacking import stack, zoomed_mask

Make = Callable[..., Any]
ZOOMS = [1.0, 1.5, 2.0, 3.0]


def spots(shifts: np.ndarray, sigma: float = 1.5, size: int = 48) -> np.ndarray:
    rows, columns = np.mgrid[:size, :size]
    return np.float32(
        [1000 * np.exp(-((rows - 23.4 - y) ** 2 + (columns - 24.2 - x) ** 2) / (2 * sigma**2)) for y, x in shifts]
    )


def centroid(image: np.ndarray, zoom: float) -> np.ndarray:
    """Return (row, column) in camera pixels: pixel k of the finer grid stands at (k + 0.5) / zoom - 0.5."""
    rows, columns = np.indices(image.shape)
    light = image.astype(float)
    place = np.array([(light * rows).sum(), (light * columns).sum()]) / light.sum()
    return np.asarray((place + 0.5) / zoom - 0.5)


@pytest.mark.parametrize("zoom", ZOOMS)
def test_flux_and_place_are_those_of_drizzle(zoom: float, by_hand: Make) -> None:
    """A spot at 20 sub-pixel shifts, against the drizzle library (Fruchter & Hook 2002, PASP 114, 144)."""
    shifts = np.random.default_rng(1).uniform(-2, 2, (20, 2))
    frames = spots(shifts)
    image = stack(*by_hand(frames, shift_px=shifts), settings=StackingSettings(zoom=zoom)).image
    size = int(48 * zoom)
    assert image.shape == (size, size)
    drizzled = Drizzle(out_shape=(size, size))
    rows, columns = np.indices((48, 48), float)
    for frame, (dy, dx) in zip(frames, shifts, strict=True):
        place = np.stack([(columns - dx + 0.5) * zoom - 0.5, (rows - dy + 0.5) * zoom - 0.5], axis=-1)
        drizzled.add_image(frame, exptime=1, pixmap=place, pixfrac=1.0)
    expected = np.nan_to_num(np.asarray(drizzled.out_img))
    # Summed brightness over a pixel's area is the light of one frame.
    assert image.sum() / zoom**2 == pytest.approx(frames[0].sum(), rel=1e-3)
    assert image.sum() / expected.sum() == pytest.approx(1, abs=2e-3)
    assert_allclose(centroid(image, zoom), centroid(expected, zoom), atol=0.02)
    assert_allclose(centroid(image, zoom), [23.4, 24.2], atol=0.01)


@pytest.mark.parametrize(("zoom", "least"), [(1.0, -1.0), (2.0, 0.9)])
def test_motion_brings_back_what_one_frame_aliases(zoom: float, least: float, by_hand: Make) -> None:
    """A wave of 0.6 cycles a pixel, beyond Nyquist: finer pixels show it, the camera's show its alias of 0.4.

    The aliases of frames at random sub-pixel places cancel in the mean (Fruchter & Hook 2002).
    """
    rng, shape = np.random.default_rng(2), (64, 64)
    shifts = rng.uniform(-2, 2, (200, 2))
    columns = np.arange(shape[1])[None, None] - shifts[:, 1, None, None]
    frames = 500 + 100 * np.cos(2 * np.pi * 0.6 * columns) * np.ones((200, *shape))
    frames = (frames + rng.normal(0, 5, frames.shape)).astype(np.float32)
    image = stack(*by_hand(frames, shift_px=shifts), settings=StackingSettings(zoom=zoom)).image[8:-8, 8:-8]
    place = (np.arange(int(shape[1] * zoom))[8:-8] + 0.5) / zoom - 0.5
    power = np.abs(scipy.fft.rfft((image - image.mean()).mean(0) * np.hanning(image.shape[1]))) ** 2
    wave = np.cos(2 * np.pi * 0.6 * place)
    share = np.corrcoef((image - image.mean()).mean(0), wave)[0, 1]
    assert power.max() > 0
    if zoom > 1:
        assert share > least
        assert scipy.fft.rfftfreq(image.shape[1], 1 / zoom)[power.argmax()] == pytest.approx(0.6, abs=0.02)
    else:
        assert scipy.fft.rfftfreq(image.shape[1])[power.argmax()] == pytest.approx(0.4, abs=0.03)


@pytest.mark.parametrize("mosaic", [None, "GBRG"])
def test_variance_and_coverage_on_finer_pixels(mosaic: str | None, by_hand: Make) -> None:
    """30 captures of fresh noise: the stated variance is what they scatter by, within 20 %."""
    rng = np.random.default_rng(3)
    shifts = rng.uniform(-2, 2, (40, 2))
    results = [
        stack(
            *by_hand(rng.normal(200, 6, (40, 32, 32)).astype(np.float32), shift_px=shifts, mosaic=mosaic),
            settings=StackingSettings(zoom=2),
        )
        for _ in range(30)
    ]
    inner = np.s_[12:-12, 12:-12]
    scatter = np.var([result.image[inner] for result in results], axis=0, ddof=1).mean()
    assert np.mean([result.variance[inner].mean() for result in results]) / scatter == pytest.approx(1, abs=0.2)
    coverage = results[0].coverage[inner]
    assert coverage.max() <= 40.01
    assert coverage.min() > (30 if mosaic is None else 2)


def test_raw_mosaic_samples_fill_the_finer_grid(by_hand: Make) -> None:
    """Each colour of a ramp comes out as itself on pixels half as large: no colour leaks, none is displaced."""
    shifts = np.random.default_rng(4).uniform(-3, 3, (60, 2))
    rows, columns = np.mgrid[:40, :40].astype(float)
    frames = np.empty((60, 40, 40), np.float32)
    for frame, (dy, dx) in zip(frames, shifts, strict=True):
        planes = 200 + 3 * (columns - dx), 400 + 2 * (rows - dy), 300 - 2 * (columns - dx)
        frame[...] = planes[1]
        frame[::2, ::2], frame[1::2, 1::2] = planes[0][::2, ::2], planes[2][1::2, 1::2]
    image = stack(*by_hand(frames, shift_px=shifts, mosaic="RGGB"), settings=StackingSettings(zoom=2)).image
    y, x = (np.indices((80, 80)) + 0.5) / 2 - 0.5
    expected = np.stack([200 + 3 * x, 400 + 2 * y, 300 - 2 * x], axis=2)
    assert_allclose(image[16:-16, 16:-16], expected[16:-16, 16:-16], atol=1.5)


@pytest.mark.parametrize("zoom", [1.5, 3.0])
def test_halves_mask_and_scale_follow(zoom: float, by_hand: Make) -> None:
    shifts = np.random.default_rng(5).uniform(-1, 1, (12, 2))
    result = stack(*by_hand(spots(shifts), shift_px=shifts), settings=StackingSettings(zoom=zoom))
    assert result.zoom == zoom
    assert result.half_a.shape == result.half_b.shape == result.mask.shape == result.image.shape
    assert_allclose(centroid(result.half_a, zoom), [23.4, 24.2], atol=0.02)
    known = Circumstances(telescope=Telescope("", 200.0, 2000.0, 0.0), camera=Camera(pixel_um=3.0))
    # 206.265 x 3 um / 2000 mm (small-angle formula).
    assert measure_stack(result, None, known)["scale_arcsec_per_px"] == pytest.approx(0.3094 / zoom, 1e-3)


def test_a_mask_keeps_its_area_and_place() -> None:
    rows, columns = np.mgrid[:60, :60]
    mask = np.hypot(rows - 30, columns - 22) < 15
    for zoom in ZOOMS:
        finer = zoomed_mask(mask, zoom)
        assert finer.sum() / zoom**2 == pytest.approx(mask.sum(), rel=0.02)
        assert_allclose(centroid(finer.astype(np.float32), zoom), [30, 22], atol=0.1)
