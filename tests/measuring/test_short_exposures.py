"""The table of speckle against fresh wavefronts and against limits that theory gives."""

import numpy as np
import pytest
import scipy.fft

from stacker.measuring.air_fit import fit_air, foreseen
from stacker.measuring.frame_gains import RINGS, GainSpread
from stacker.measuring.recentring import Modes, recentre
from stacker.measuring.short_exposures import ShortExposures
from stacker.measuring.spectral_ratio import SpectralRatio

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


@pytest.mark.parametrize(("ratio", "waves"), [(4.0, 0.15), (2.7, 0.3), (7.0, 0.2)])
def test_no_corners_where_the_table_has_its_points(ratio: float, waves: float) -> None:
    """A fit that follows the slope would stay at a corner: slopes on either side of a point agree within 2 %."""
    air, step = ShortExposures(AT, 0.2), 1e-4

    def logarithm(q: float, w: float) -> np.ndarray:
        return np.log(air.speckle(q, w)[0])

    here = logarithm(ratio, waves)
    along = (logarithm(ratio * np.exp(step), waves) - here) / (here - logarithm(ratio * np.exp(-step), waves))
    down = (logarithm(ratio, waves + step) - here) / (here - logarithm(ratio, waves - step))
    np.testing.assert_allclose([along, down], 1.0, atol=0.02)


def test_much_defocus_under_bright_light_is_no_misfit() -> None:
    """What a telescope in focus cannot explain, and half a wave does, is defocus; not a capture to be refused."""
    rings = np.linspace(0.13, 0.6, 12)
    amount, even = ShortExposures(rings, 0.3).speckle(1.9, 0.5)
    small, left = np.full(12, 0.01), np.exp(-0.25)
    seen = SpectralRatio(
        rings, np.log1p(left * amount), small, left * even, small, np.full(12, 50.0), np.zeros(8), small[:8], 1.0,
        0.05, None, 8,
    )  # fmt: skip
    fit = fit_air(seen, 0.3, 280.0, 16 * 600e-9 / 0.28)
    assert fit is not None
    assert fit.gain > 10
    assert fit.misfit < 2
    assert fit.defocus_waves == pytest.approx(0.5, abs=0.05)
    assert fit.ratio_defocused == pytest.approx(1.9, rel=0.2)


def _looked_at(noise: float) -> SpectralRatio:
    """Return a capture of 12 rings and four mixtures of directions, whose gains have so much noise."""
    rings, flat = np.linspace(0.13, 0.6, 12), np.full(12, 0.03)
    turns = np.array([[1.0, 2.0, 1.0], [1.0, 0.0, -1.0], [1.0, 0.0, -1.0], [1.0, -2.0, 1.0]])
    gains = GainSpread(np.zeros((4, RINGS, RINGS)), np.tile(noise * np.eye(RINGS), (4, 1, 1)), turns)
    return SpectralRatio(
        rings, flat, flat, flat, flat, np.full(12, 5.0), np.zeros(8), flat[:8], 1.0, 0.05, None, 8, gains
    )


@pytest.mark.parametrize(("ratio", "waves"), [(1.8, 0.3), (2.5, 0.3), (2.5, 0.5)])
def test_what_is_foreseen_is_found(ratio: float, waves: float) -> None:
    """The fit to what air and defocus show in the mean gives them back, and noise lessens how sure it is."""
    saved = []
    for noise in (0.003, 0.03, 0.3):
        seen = foreseen(_looked_at(noise), 0.2, 280.0, 16 * 600e-9 / 0.28, ratio, waves)
        assert seen is not None
        fit = fit_air(seen, 0.2, 280.0, 16 * 600e-9 / 0.28)
        assert fit is not None
        saved.append(fit.gain)
        assert fit.defocus_waves == pytest.approx(waves, abs=0.05)
        assert fit.ratio_defocused == pytest.approx(ratio, rel=0.07)
    assert saved[0] > saved[1] > saved[2] > 0
    assert saved[0] > 10
