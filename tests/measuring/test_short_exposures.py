"""The table of speckle against fresh wavefronts and against limits that theory gives."""

import numpy as np
import pytest
import scipy.fft

from stacker.measuring.recentring import Modes, recentre
from stacker.measuring.short_exposures import ShortExposures

ACROSS, SIDE = 32, 64
AT = np.array([0.2, 0.3, 0.4, 0.5])


def _transfers(rng: np.random.Generator, ratio: float, defocus: float, obstruction: float) -> tuple[np.ndarray, Modes]:
    """Return single-exposure transfers (n, K) of fresh Kolmogorov screens without piston and tilt."""
    size = 256
    f = np.hypot(scipy.fft.fftfreq(size)[:, None], scipy.fft.fftfreq(size)[None, :])
    f[0, 0] = np.inf
    amplitude = np.sqrt(0.0229) * f ** (-11 / 6) / size
    y, x = np.mgrid[:ACROSS, :ACROSS] - (ACROSS - 1) / 2
    radius = np.hypot(y, x) / (ACROSS / 2)
    pupil = ((radius <= 1) & (radius >= obstruction)).astype(float)
    parts = []
    for _ in range(20):
        whole = scipy.fft.fft2((rng.normal(size=(size, size)) + 1j * rng.normal(size=(size, size))) * amplitude)
        for screen in (whole.real, whole.imag):
            parts += [screen[i : i + ACROSS, j : j + ACROSS] for i in range(0, size, 64) for j in range(0, size, 64)]
    basis = np.stack([np.ones_like(y), y, x])
    gram = np.linalg.inv(np.einsum("aij,bij,ij->ab", basis, basis, pupil))
    phase = np.array(parts)
    phase -= np.tensordot(np.einsum("nij,bij,ij->nb", phase, basis, pupil) @ gram, basis, 1)
    strength = np.exp(0.15 * rng.standard_normal(len(phase)))
    strength *= ratio / ACROSS / np.mean(strength ** (5 / 3)) ** 0.6
    phase = phase * strength[:, None, None] ** (5 / 6) + 2 * np.pi * defocus * radius**2
    field = scipy.fft.fft2(pupil * np.exp(1j * phase), (SIDE, SIDE))
    row, column = np.meshgrid(scipy.fft.fftfreq(SIDE), scipy.fft.rfftfreq(SIDE), indexing="ij")
    wanted = (np.hypot(row, column) < 0.5) & (column > 0)
    modes = Modes(row[wanted].astype(np.float32), column[wanted].astype(np.float32), 0.5)
    return scipy.fft.rfft2(np.abs(field) ** 2)[:, wanted].astype(np.complex64) / (pupil.sum() * SIDE**2), modes


@pytest.mark.parametrize(
    ("ratio", "defocus", "obstruction"), [(2.0, 0.0, 0.0), (4.0, 0.0, 0.2), (6.0, 0.0, 0.0), (2.5, 0.3, 0.2)]
)
def test_table_agrees_with_fresh_screens(ratio: float, defocus: float, obstruction: float) -> None:
    """Speckle and its evenness within 18 %: 640 screens in groups of 160, of which some 100 are independent."""
    transfers, modes = _transfers(np.random.default_rng(31), ratio, defocus, obstruction)
    moved = np.concatenate([recentre(group, modes)[0] for group in np.split(transfers, 4)])
    mean = moved.mean(0)
    phase = mean.conj() / np.abs(mean)
    speckle = (np.abs(moved - mean) ** 2).mean(0)
    even = (((moved - mean) * phase) ** 2).mean(0).real
    expected = ShortExposures(AT, obstruction).speckle(ratio, defocus)
    for values, known in zip((speckle, even), expected, strict=True):
        rings = [np.abs(modes.relative - f) < 0.03 for f in AT]
        found = [values[ring].sum() / (np.abs(mean[ring]) ** 2).sum() for ring in rings]
        assert np.mean(np.array(found) / known) == pytest.approx(1.0, abs=0.18)


def test_more_turbulence_and_more_defocus_mean_more_speckle() -> None:
    """Both take from the mean what the single exposure keeps."""
    air = ShortExposures(AT, 0.2)
    amounts = [air.speckle(ratio, 0.0)[0] for ratio in (1.0, 2.0, 3.0, 5.0, 8.0)]
    assert (np.diff(amounts, axis=0) > 0).all()
    amounts = [air.speckle(2.0, waves)[0] for waves in (0.0, 0.2, 0.4, 0.6)]
    assert (np.diff(amounts, axis=0) > 0).all()


def test_weak_turbulence_grows_by_its_second_order() -> None:
    """Without tilt, even speckle of a telescope in focus is of second order in the variance: as (D/r0)^(10/3)."""
    air = ShortExposures(AT, 0.0)
    grown = air.speckle(2.0, 0.0)[1] / air.speckle(1.0, 0.0)[1]
    assert np.log2(grown).mean() == pytest.approx(10 / 3, abs=0.25)


def test_the_sign_of_defocus_does_not_show() -> None:
    """Inside and outside of focus look alike."""
    air = ShortExposures(AT, 0.1)
    np.testing.assert_array_equal(air.speckle(3.0, 0.25), air.speckle(3.0, -0.25))
