"""How gains of single exposures vary: the table against fresh wavefronts and theory, noise, and other objects."""

import numpy as np
import pytest
import scipy.fft

from stacker.measuring.frame_gains import (
    RINGS,
    ExpectedGains,
    GainSpread,
    covariance_of,
    numbers_of,
    spread_of_gains,
)
from stacker.measuring.patch_places import hann
from stacker.measuring.recentring import Modes, recentre

ACROSS, SIDE = 32, 64


def _modes(size: int, cutoff: float) -> tuple[np.ndarray, Modes]:
    row, column = np.meshgrid(scipy.fft.fftfreq(size), scipy.fft.rfftfreq(size), indexing="ij")
    wanted = (np.hypot(row, column) < 0.8 * cutoff) & ((column > 0) | (row > 0))
    return wanted, Modes(row[wanted].astype(np.float32), column[wanted].astype(np.float32), cutoff)


def _transfers(rng: np.random.Generator, ratio: float, waves: float, count: int) -> tuple[np.ndarray, Modes]:
    """Return recentred transfers (n, K) of fresh Kolmogorov screens (Fried 1966) through an open aperture."""
    size = 256
    f = np.hypot(scipy.fft.fftfreq(size)[:, None], scipy.fft.fftfreq(size)[None])
    f[0, 0] = np.inf
    amplitude = np.sqrt(0.0229) * f ** (-11 / 6) / size
    y, x = np.mgrid[:ACROSS, :ACROSS] - (ACROSS - 1) / 2
    radius = np.hypot(y, x) / (ACROSS / 2)
    pupil = (radius <= 1).astype(float)
    phase = []
    while len(phase) < count:
        whole = scipy.fft.fft2((rng.normal(size=(size, size)) + 1j * rng.normal(size=(size, size))) * amplitude)
        phase += [
            s[i : i + ACROSS, j : j + ACROSS]
            for s in (whole.real, whole.imag)
            for i in range(0, size, 64)
            for j in range(0, size, 64)
        ]
    basis = np.stack([np.ones_like(y), y, x])
    gram = np.linalg.inv(np.einsum("aij,bij,ij->ab", basis, basis, pupil))
    flat = np.array(phase[:count])
    flat -= np.tensordot(np.einsum("nij,bij,ij->nb", flat, basis, pupil) @ gram, basis, 1)
    field = scipy.fft.fft2(
        pupil * np.exp(1j * (flat * (ratio / ACROSS) ** (5 / 6) + 2 * np.pi * waves * radius**2)), (SIDE, SIDE)
    )
    wanted, modes = _modes(SIDE, ACROSS / SIDE)
    transfer = scipy.fft.rfft2(np.abs(field) ** 2)[:, wanted] / (pupil.sum() * SIDE**2)
    return recentre(transfer.astype(np.complex64), modes)[0], modes


@pytest.mark.parametrize(("ratio", "waves"), [(1.75, 0.0), (1.75, 0.3), (2.5, 0.5)])
def test_table_agrees_with_fresh_screens(ratio: float, waves: float) -> None:
    """Variances within a third, of which a fifth is chance among 640 screens and the table's r0 wanders by 10 %."""
    moved, modes = _transfers(np.random.default_rng(5), ratio, waves, 640)
    found = numbers_of(covariance_of(moved, modes))
    known = numbers_of(ExpectedGains(0.0).covariance(ratio, waves))
    np.testing.assert_allclose(found[:RINGS], known[:RINGS], atol=np.log(4 / 3))
    np.testing.assert_allclose(np.tanh(found[RINGS:]), np.tanh(known[RINGS:]), atol=0.08)


def test_in_focus_gains_vary_by_the_second_order_of_the_air() -> None:
    """Their variance grows as (D/r0)^(10/3); a defocus mixes in the first order, (D/r0)^(5/3) (Fried 1966)."""
    air = ExpectedGains(0.2)

    def power(waves: float) -> float:
        grown = np.diag(air.covariance(1.0, waves)) / np.diag(air.covariance(0.7, waves))
        return float(np.log(grown).mean() / np.log(1 / 0.7))

    assert power(0.0) == pytest.approx(10 / 3, abs=0.2)
    assert power(0.3) == pytest.approx(5 / 3, abs=0.3)


def test_the_object_does_not_matter() -> None:
    """Any object has the same gains through the same air, but for chance weights of a dozen modes a cell: 25 %."""
    moved, modes = _transfers(np.random.default_rng(6), 2.0, 0.3, 320)
    rng = np.random.default_rng(7)
    shown = (rng.normal(size=moved.shape[1]) + 1j * rng.normal(size=moved.shape[1])) * modes.relative**-2
    plain, seen = (numbers_of(covariance_of(m, modes)) for m in (moved, (moved * shown).astype(np.complex64)))
    np.testing.assert_allclose(seen[:RINGS], plain[:RINGS], atol=0.25)


def test_noise_is_foreseen() -> None:
    """A still picture under white noise: all that varies is noise, within 15 % (300 frames, 4 sectors), none after."""
    size, frames, rng = 48, 300, np.random.default_rng(8)
    window = np.outer(hann(size), hann(size))
    wanted, modes = _modes(size, 1 / 3)
    picture = rng.normal(size=(size, size))
    seen = scipy.fft.rfft2((picture + 0.7 * rng.normal(size=(frames, size, size))) * window)[:, wanted]
    noise = np.full(int(wanted.sum()), 0.49 * float((window**2).sum()))
    found = spread_of_gains(seen.astype(np.complex64), modes, noise, size)
    np.testing.assert_allclose(np.diag(found.covariance), np.diag(found.noise), rtol=0.15)


def test_faint_frames_have_no_weight() -> None:
    """Noise far above the picture tells nothing."""
    size, rng = 48, np.random.default_rng(9)
    wanted, modes = _modes(size, 1 / 3)
    seen = scipy.fft.rfft2(rng.normal(size=(60, size, size)) * np.outer(hann(size), hann(size)))[:, wanted]
    found = spread_of_gains(seen.astype(np.complex64), modes, np.full(int(wanted.sum()), 1e3), size)
    assert found.weight == 0
    assert GainSpread.pool([found]) is None
