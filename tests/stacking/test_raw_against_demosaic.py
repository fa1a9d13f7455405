"""Averaging each colour's raw samples against demosaicing every frame, at shifts known exactly.

A mosaic samples red and blue every second pixel, so detail finer than 0.25 cycles per px aliases (sampling theorem);
frames at many sub-pixel places undo that, what a demosaic invented in each frame stays.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from stacker.stacking import stack
from stacker.stacking.demosaic import demosaic
from stacker.stacking.warping import colour_masks

SIDE, FRAMES, NOISE = 64, 150, 4.0
FINEST_CYC_PER_PX = 0.5
"""Two camera pixels per lambda/D."""
FREQUENCY = np.hypot(np.fft.fftfreq(SIDE)[:, None], np.fft.fftfreq(SIDE)[None])


def scene(alike: float) -> np.ndarray:
    """Return (SIDE, SIDE, 3): colours that share `alike` of their power, through a transfer that ends at the limit."""
    rng = np.random.default_rng(1)
    passed = np.clip(1 - FREQUENCY / FINEST_CYC_PER_PX, 0, 1) / np.maximum(FREQUENCY, 0.02) * (FREQUENCY > 0)
    common = rng.normal(size=(SIDE, SIDE))
    planes = []
    for _ in range(3):
        noise = np.sqrt(alike) * common + np.sqrt(1 - alike) * rng.normal(size=(SIDE, SIDE))
        plane = np.fft.ifft2(np.fft.fft2(noise) * passed).real
        planes.append(200 + 20 * plane / plane.std())
    return np.stack(planes, 2)


def unexplained(found: np.ndarray, truth: np.ndarray) -> float:
    """Return the detail of `truth` that no radial filter of `found` gives, as a share of it: blur does not count."""
    inner = np.s_[8:-8, 8:-8]
    count = SIDE - 16
    window = np.outer(np.hanning(count), np.hanning(count))
    frequency = np.fft.fftfreq(count) * count
    ring = np.rint(np.hypot(frequency[:, None], frequency[None])).astype(int).ravel()
    shares = []
    for colour in range(3):
        a, b = (np.fft.fft2((x[..., colour] - x[..., colour].mean()) * window) for x in (found[inner], truth[inner]))
        power, wanted, shared = (
            np.bincount(ring, values.ravel()) for values in (np.abs(a) ** 2, np.abs(b) ** 2, (a * b.conj()).real)
        )
        shares.append((wanted - shared**2 / np.maximum(power, 1e-9)).sum() / wanted.sum())
    return float(np.sqrt(np.mean(shares)))


@pytest.mark.parametrize(("alike", "margin"), [(0.0, 1.4), (0.5, 1.4), (0.95, 1.3)])
def test_raw_samples_beat_every_demosaic(
    alike: float, margin: float, by_hand: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ours, and bilinear and Menon, Andriani & Calvagno 2007 of the package colour-demosaicing.

    Colours alike in every detail and at one place are left out: there a demosaic may borrow green's finer samples, as
    sharing between the stacks of the colours does afterwards by measure.
    """
    package = pytest.importorskip("colour_demosaicing", reason="the test extra is not installed")
    truth = scene(alike)
    rng = np.random.default_rng(9)
    shifts = rng.uniform(-3, 3, (FRAMES, 2))
    fy, fx = np.fft.fftfreq(SIDE)[:, None, None], np.fft.fftfreq(SIDE)[None, :, None]
    spectrum, masks, frames = np.fft.fft2(truth, axes=(0, 1)), colour_masks((SIDE, SIDE), "RGGB"), []
    for dy, dx in shifts:
        moved = np.fft.ifft2(spectrum * np.exp(-2j * np.pi * (fy * dy + fx * dx)), axes=(0, 1)).real
        frames.append((moved * masks).sum(2) + rng.normal(0, NOISE, (SIDE, SIDE)))
    capture = by_hand(np.array(frames, np.float32), shift_px=shifts, mosaic="RGGB")

    raw = unexplained(stack(*capture).image, truth)
    monkeypatch.setattr("stacker.stacking.carrying.motion_fills_the_grid", lambda *_: False)
    for way in (demosaic, package.demosaicing_CFA_Bayer_bilinear, package.demosaicing_CFA_Bayer_Menon2007):

        def as_float32(frame: np.ndarray, mosaic: str, way: Any = way) -> np.ndarray:
            return np.asarray(way(frame, mosaic), np.float32)

        monkeypatch.setattr("stacker.stacking.carrying.demosaic", as_float32)
        assert unexplained(stack(*capture).image, truth) > margin * raw
