"""The sensor's fixed pattern: measured where there is one, not seen where there is none, whatever is in front of it."""

import numpy as np
import pytest
import scipy.fft
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from stacker.calibration.defects import DefectRepair
from stacker.capture import Film
from stacker.measuring.fixed_pattern import NOTICED, fixed_pattern, told
from stacker.ranking.record import Ranking, Target

SIZE, LEVEL, NOISE, CUTOFF = 96, 500.0, 12.0, 0.33


def band_limited(rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a scene with nothing beyond the optical cutoff."""
    f = np.hypot(scipy.fft.fftfreq(SIZE)[:, None], scipy.fft.rfftfreq(SIZE)[None])
    spectrum = scipy.fft.rfft2(rng.standard_normal((SIZE, SIZE))) / np.maximum(f, 1 / SIZE) * (f < CUTOFF)
    scene = scipy.fft.irfft2(spectrum, (SIZE, SIZE))
    return np.asarray(LEVEL * (1 + 0.2 * scene / scene.std()))


def recorded(
    pattern: float, rng: np.random.Generator, frames: int = 60, mosaic: str | None = None
) -> tuple[Film, Ranking]:
    """Return a capture of a surface that drifts by whole pixels over a sensor with a pattern."""
    scene, response = band_limited(rng), 1 + pattern * rng.standard_normal((SIZE, SIZE))
    shift = rng.integers(-2, 3, (frames, 2))
    shown = [np.roll(scene, tuple(move), (0, 1)) * response for move in shift]
    film = Film(
        np.rint(np.stack(shown) + NOISE * rng.standard_normal((frames, SIZE, SIZE))).astype(np.uint16), mosaic=mosaic
    )
    target = Target("surface", (SIZE / 2, SIZE / 2), 68.0, np.ones((SIZE, SIZE), bool))
    nan = np.full((frames, 1, 1), np.nan, np.float32)
    ones = np.ones(frames)
    return film, Ranking(target, 0, ones, nan, ones, shift.astype(float), ("",) * frames, NOISE, 0.0)


def seen(film: Film, ranking: Ranking, cutoff: float | None = CUTOFF) -> float | None:
    """Return the pattern that is measured."""
    return fixed_pattern(film, ranking, DefectRepair(np.zeros((SIZE, SIZE), bool), film.mosaic), cutoff)


@pytest.mark.parametrize("pattern", [0.005, 0.01, 0.03])
def test_a_pattern_is_measured(pattern: float) -> None:
    """Its rms within 10 %: the scene's own 20 % weighs it, and some 1500 modes are seen."""
    found = seen(*recorded(pattern, np.random.default_rng(1)))
    assert found is not None
    assert_allclose(found, pattern, rtol=0.1)
    assert f"{100 * found:.1f} %" in told(found)


def test_no_pattern_is_seen_where_there_is_none() -> None:
    """Twenty sensors without one: none of them is noticed, though single frames have 2.4 % noise a pixel."""
    found = [seen(*recorded(0.0, np.random.default_rng(seed))) for seed in range(20)]
    assert all(value is not None and value < NOTICED for value in found)
    assert {told(value) for value in found} == {""}


def test_it_says_when_it_cannot_tell() -> None:
    """Colour mosaic, optics unknown or too coarsely sampled, too few frames."""
    rng = np.random.default_rng(3)
    assert seen(*recorded(0.02, rng, mosaic="RGGB")) is None
    assert seen(*recorded(0.02, rng), cutoff=None) is None
    assert seen(*recorded(0.02, rng), cutoff=0.45) is None
    assert seen(*recorded(0.02, rng, frames=6)) is None
    assert told(None) == ""
