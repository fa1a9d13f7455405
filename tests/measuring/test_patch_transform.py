"""Patches' spectra and noise against a general-purpose transform and the power of white noise."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
import scipy.ndimage
import scipy.signal
from numpy.typing import NDArray

from stacker.measuring.patch_transform import PatchTransform, noise_shape

SIZE, CUTOFF = 46, 0.34
CORNERS = np.array([[1, 1], [20, 33], [53, 73]])


def frame(seed: int = 1) -> NDArray[np.float32]:
    """Return white noise of 100 by 120 px."""
    return np.random.default_rng(seed).standard_normal((100, 120)).astype(np.float32)


def test_spectra_are_those_of_a_general_transform() -> None:
    """At every wanted frequency they are scipy.fft's of the windowed nine-point Laplacian, to single precision."""
    transform, plane = PatchTransform(SIZE, CUTOFF, None), frame()
    found = transform.spectra(transform.windowed(plane, CORNERS))
    kernel = np.array([[1, 4, 1], [4, -20, 4], [1, 4, 1]]) / 6.0
    laplacian = scipy.ndimage.correlate(plane.astype(np.float64), kernel)
    window = scipy.signal.windows.cosine(SIZE) ** 2
    row = np.rint(transform.modes.row * SIZE).astype(int)
    column = np.rint(transform.modes.column * SIZE).astype(int)
    for spectrum, (y, x) in zip(found, CORNERS, strict=True):
        part = laplacian[y : y + SIZE, x : x + SIZE] * np.outer(window, window)
        wanted = scipy.fft.rfft2(part)[row % SIZE, column]
        assert np.abs(spectrum - wanted).max() < 1e-5 * np.abs(wanted).max()


def test_each_frequency_stands_once() -> None:
    """No frequency up to 0.8 of the cutoff is missing, and none stands beside its conjugate."""
    modes = PatchTransform(SIZE, CUTOFF, None).modes
    seen = {(round(SIZE * float(y)), round(SIZE * float(x))) for y, x in zip(modes.row, modes.column, strict=True)}
    assert len(seen) == len(modes.row)
    assert not any((-y, -x) in seen for y, x in seen)
    y, x = np.meshgrid(*2 * (np.arange(-SIZE // 2, SIZE // 2),), indexing="ij")
    inside = int((np.hypot(y, x) < 0.8 * CUTOFF * SIZE).sum())
    assert 2 * len(seen) + 1 == inside


@pytest.mark.parametrize("cutoff", [0.25, 0.45])
def test_noise_power_is_that_of_white_noise(cutoff: float) -> None:
    """White noise of variance 1 has the power sum(window^2) (Parseval), each mode raised by the Laplacian's.

    The window mixes neighbouring frequencies, which lifts the steep low end by some per cent.
    """
    transform = PatchTransform(SIZE, cutoff, None)
    parts = [transform.windowed(frame(seed), CORNERS) for seed in range(60)]
    power = np.mean([transform.noise_power(part) for part in parts])
    whole = float(np.square(transform.window, dtype=np.float64).sum())
    assert power == pytest.approx(whole, rel=0.03)
    modes = np.mean([np.abs(transform.spectra(part)) ** 2 for part in parts], (0, 1))
    assert modes.sum() == pytest.approx(whole * transform.noise_shape.sum(), rel=0.08)


def test_laplacian_raises_fine_noise() -> None:
    """The Laplacian multiplies waves of small wave number k by -k^2, so their power by k^4."""
    shape = noise_shape(64, None)
    k2 = (2.0 * np.pi / 64) ** 2
    assert shape[0, 1] == pytest.approx(k2**2, rel=0.01)
    assert shape[0, 0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("size_px", "cutoff"), [(46, 0.34), (46, 0.45), (130, 0.2)])
def test_enough_frames_tell_the_noise(size_px: int, cutoff: float) -> None:
    """By 4000 independent modes an exponential distribution's mean is known to 1.6 % (its deviation is its mean)."""
    transform = PatchTransform(size_px, cutoff, None)
    row, column = np.meshgrid(np.fft.fftfreq(size_px), np.fft.rfftfreq(size_px), indexing="ij")
    modes = int(((np.hypot(row, column) > 1.08 * cutoff) & ((column > 0) & (column < 0.5) | (row > 0))).sum())
    few = len(transform.frames_of_noise(240))
    assert few == 240 or few * modes >= 4000
    assert few >= 16


def test_where_hardly_a_mode_shows_noise_alone_none_is_asked() -> None:
    """At 1.6 px per lambda/D the telescope passes all frequencies but those in the very corners."""
    assert len(PatchTransform(20, 0.62, None).frames_of_noise(240)) == 0
