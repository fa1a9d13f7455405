"""Blur that varies over the field."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve

from stacker.simulation.field_blur import FieldBlur, hat_weights
from stacker.simulation.optics import make_pupil, point_spread

SAMPLING_PX = 3.0


def random_psf(count: int, size: int = 48) -> np.ndarray:
    pupil = make_pupil(0.25, 0.08, SAMPLING_PX, size, (0.0, 0.0, 0.0, 0.0))
    phase = np.random.default_rng(1).normal(0, 0.7, (count, *pupil.amplitude.shape)).astype(np.float32)
    return point_spread(phase, pupil)


def scene(shape: tuple[int, int]) -> np.ndarray:
    picture = np.zeros(shape, np.float32)
    picture[60:110, 50:120] = np.random.default_rng(2).random((50, 70), dtype=np.float32)
    return picture


def test_equal_functions_are_a_plain_convolution() -> None:
    """Against scipy's convolution, 0.1 % of the peak (what leaks past the cutoff is cut)."""
    canvas = scene((180, 192))
    psf = random_psf(1)[0]
    blurred = FieldBlur(canvas, 3, 48, 1 / SAMPLING_PX).apply(np.repeat(psf[None], 9, 0))
    kernel = np.roll(psf, (24, 24), (0, 1))
    expected = fftconvolve(canvas, kernel)[24 : 24 + 180, 24 : 24 + 192]
    np.testing.assert_allclose(blurred[24:-24, 24:-24], expected[24:-24, 24:-24], atol=1e-3)


def test_varying_functions_are_the_sum_of_weighted_convolutions() -> None:
    """The slow twin: blur each node's share by itself (circularly), add, divide by the same of an even canvas."""
    canvas = scene((180, 192))
    psf = random_psf(4)
    blurred = FieldBlur(canvas, 2, 48, 1 / SAMPLING_PX).apply(psf)
    total = {"scene": np.zeros((180, 192)), "even": np.zeros((180, 192))}
    weights = [np.outer(wy, wx) for wy in hat_weights(180, 2) for wx in hat_weights(192, 2)]
    for weight, function in zip(weights, psf, strict=True):
        wide = np.zeros((180, 192))
        wide[:48, :48] = np.roll(function, (24, 24), (0, 1))
        wide = np.roll(wide, (-24, -24), (0, 1))
        for name, picture in (("scene", canvas), ("even", np.ones_like(canvas))):
            total[name] += np.fft.ifft2(np.fft.fft2(picture * weight) * np.fft.fft2(wide)).real
    np.testing.assert_allclose(blurred, total["scene"] / total["even"], atol=1e-3)


def test_even_light_stays_even() -> None:
    """Radiance: no turbulence writes structure on an even field, however much the blur varies."""
    blurred = FieldBlur(np.full((180, 192), 0.7, np.float32), 4, 48, 1 / SAMPLING_PX).apply(random_psf(16))
    np.testing.assert_allclose(blurred, 0.7, rtol=1e-4)


def test_light_is_conserved() -> None:
    """The sum stays, to float32, where the blur is the same everywhere."""
    canvas = scene((180, 192))
    blurred = FieldBlur(canvas, 4, 48, 1 / SAMPLING_PX).apply(np.repeat(random_psf(1), 16, 0))
    assert blurred.sum(dtype=float) == pytest.approx(canvas.sum(dtype=float), rel=1e-5)


def test_nothing_passes_beyond_the_cutoff() -> None:
    """A telescope passes no frequency above D / lambda = 1 / sampling."""
    blurred = FieldBlur(scene((180, 180)), 3, 48, 1 / SAMPLING_PX).apply(np.repeat(random_psf(1), 9, 0))
    power = np.abs(np.fft.fft2(blurred.astype(float)))
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(180), np.fft.fftfreq(180)))
    assert power[frequency > 1.08 / SAMPLING_PX].max() < 1e-3 * power.max()


def test_weights_share_out_everything() -> None:
    np.testing.assert_allclose(hat_weights(97, 6).sum(0), 1.0, atol=1e-6)
