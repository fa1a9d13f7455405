"""Motion taken out of many exposures: found where there is signal, not made up where there is none."""

import numpy as np
import pytest
import scipy.fft

from stacker.measuring.recentring import Modes, recentre

SIZE, CUTOFF, FRAMES = 48, 1 / 3, 150


def _modes() -> Modes:
    row, column = np.meshgrid(scipy.fft.fftfreq(SIZE), scipy.fft.rfftfreq(SIZE), indexing="ij")
    wanted = (np.hypot(row, column) < 0.8 * CUTOFF) & (column > 0)
    return Modes(row[wanted].astype(np.float32), column[wanted].astype(np.float32), CUTOFF)


def _noise(rng: np.random.Generator, modes: Modes, frames: int = FRAMES) -> np.ndarray:
    shape = frames, len(modes.row)
    return ((rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) * np.sqrt(0.5)).astype(np.complex64)


@pytest.mark.parametrize("motion_px", [0.3, 2.0])
def test_known_motion_comes_back(motion_px: float) -> None:
    """Motion of 0.1 and 0.7 lambda / D at a signal of 10 in each mode: each set's error is near the Cramer-Rao bound.

    Half the modes tell it: variance sigma^2 / (2 sum of (2 pi f)^2 S) along an axis (Robinson & Milanfar 2004, IEEE
    Trans. Image Process. 13, 1185), 1.5 times that in rms for the reference's own noise.
    """
    rng, modes = np.random.default_rng(4), _modes()
    scene = 3.2 * _noise(rng, modes, 1)
    motion = rng.normal(0, motion_px, (FRAMES, 2))
    frames = (scene * np.conj(modes.turn(motion)) + _noise(rng, modes)).astype(np.complex64)
    moved, found = recentre(frames, modes)
    error = found - motion
    error -= np.median(error, 1, keepdims=True)
    for own in (0, 1):
        used = (modes.set == own) & modes.leading
        bound = np.sqrt(0.5 / ((2 * np.pi * modes.row[used]) ** 2 * np.abs(scene[0, used]) ** 2).sum())
        assert error[own, :, 0].std() < 1.5 * bound
    assert np.abs(moved.mean(0)).mean() > 0.95 * np.abs(scene).mean()


def test_agreement_is_not_made_up() -> None:
    """Where a mode's signal is no more than its noise, the mean's power after recentring is still the scene's: +-10 %.

    150 frames of 400 modes know it to some 2 %; lost motion takes a few percent, noise that lines up would add.
    """
    rng, modes = np.random.default_rng(5), _modes()
    scene = _noise(rng, modes, 1)
    frames = (scene * np.conj(modes.turn(rng.normal(0, 1.0, (FRAMES, 2)))) + _noise(rng, modes)).astype(np.complex64)
    moved, _ = recentre(frames, modes)
    own = (np.abs(moved) ** 2).mean(0)
    kept = (FRAMES * np.abs(moved.mean(0)) ** 2 - own) / (FRAMES - 1)
    assert kept.sum() == pytest.approx((np.abs(scene) ** 2).sum(), rel=0.1)


def test_the_two_sets_share_nothing() -> None:
    """Every mode is in one of the sets, and both look along rows and along columns."""
    modes = _modes()
    assert set(modes.set.tolist()) == {0, 1}
    for own in (0, 1):
        part = modes.set == own
        assert 0.35 < part.mean() < 0.65
        assert 0.3 < (modes.row[part] ** 2).sum() / (modes.column[part] ** 2).sum() < 3.0
