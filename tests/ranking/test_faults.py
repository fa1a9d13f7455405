"""Frames that must not be used are found, whatever broke them, and sound frames are left alone.

The ways a frame breaks (transfer cut short, rows moved, bits fallen over, delivered twice) are common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.ranking import rank
from stacker.ranking.faults import find_copies, running_median
from stacker.settings import RankingSettings

Make = Callable[..., Any]
Frames = NDArray[np.uint8]
BROKEN = (9, 23, 37, 51)


def rows_displaced(frame: Frames, rng: np.random.Generator) -> None:
    row = rng.integers(85, 115)
    frame[row:] = np.roll(frame[row:], rng.integers(25, 90), axis=1)


def rows_slightly_displaced(frame: Frames, rng: np.random.Generator) -> None:
    row = rng.integers(90, 110)
    frame[row:] = np.roll(frame[row:], 6, axis=1)


def rest_black(frame: Frames, rng: np.random.Generator) -> None:
    frame[rng.integers(80, 120) :] = 0


def band_black(frame: Frames, rng: np.random.Generator) -> None:
    row = rng.integers(85, 105)
    frame[row : row + 12] = 0


def garbage(frame: Frames, rng: np.random.Generator) -> None:
    frame[...] = rng.integers(0, 256, frame.shape)


def garbage_block(frame: Frames, rng: np.random.Generator) -> None:
    row, column = rng.integers(80, 100), rng.integers(95, 120)
    frame[row : row + 32, column : column + 32] = rng.integers(0, 256, (32, 32))


def bits_fallen(frame: Frames, rng: np.random.Generator) -> None:
    frame[rng.random(frame.shape) < 0.02] ^= 128


def part_of_an_earlier_place(frame: Frames, rng: np.random.Generator) -> None:
    row = rng.integers(90, 110)
    frame[row:] = np.roll(frame, 25, axis=0)[row:]


DAMAGE = (
    rows_displaced,
    rows_slightly_displaced,
    rest_black,
    band_black,
    garbage,
    garbage_block,
    bits_fallen,
    part_of_an_earlier_place,
)


@pytest.mark.parametrize("kind", ["disc", "surface"])
@pytest.mark.parametrize("damage", DAMAGE, ids=lambda damage: damage.__name__)
def test_torn_frames_are_found(
    damage: Callable[[Frames, np.random.Generator], None], kind: str, request: pytest.FixtureRequest, film: Make
) -> None:
    """Four broken frames of sixty: all found, and of the sound ones at most one (2 %) is thrown out."""
    frames = request.getfixturevalue(kind)().frames.copy()
    rng = np.random.default_rng(7)
    for index in BROKEN:
        damage(frames[index], rng)
    usable = rank(film(frames), RankingSettings()).usable
    assert not usable[list(BROKEN)].any()
    assert (~usable).sum() <= len(BROKEN) + 1


@pytest.mark.parametrize("kind", ["disc", "surface"])
def test_copies_are_found(kind: str, request: pytest.FixtureRequest, film: Make) -> None:
    """A frame delivered twice, and one delivered again through a lossy coder (differences of 1 ADU in a few pixels)."""
    frames = request.getfixturevalue(kind)().frames.copy()
    frames[10] = frames[9]
    frames[30] = frames[29]
    frames[30, ::7, ::5] += 1
    reason = rank(film(frames), RankingSettings()).reason
    assert [i for i, word in enumerate(reason) if word] == [10, 30]
    assert reason[10] == reason[30] == "duplicate"


def test_a_disc_out_of_the_field_and_clouds(disc: Make, film: Make) -> None:
    """Sky alone is out of field; a tenth of the light is clouded; half of the light stays usable."""
    scene = disc(noise_adu=1.5)
    light = np.ones(60)
    light[10:13], light[30:33], light[40:50] = 0, 0.12, 0.5
    rng = np.random.default_rng(4)
    frames = 6 + (scene.frames.astype(np.float32) - 6) * light[:, None, None] + rng.normal(0, 1.5, scene.frames.shape)
    reason = rank(film(frames.clip(0, 255).astype(np.uint8)), RankingSettings()).reason
    assert set(reason[10:13]) == {"out of field"}
    assert set(reason[30:33]) == {"clouded"}
    assert set(reason) - {"out of field", "clouded"} == {""}
    assert sum(map(bool, reason)) == 6


def test_another_surface_is_out_of_field(surface: Make, film: Make) -> None:
    """Frames that show quite another part of the Moon do not fit anywhere."""
    frames = surface().frames.copy()
    frames[20:23] = surface(seed=9, count=3).frames
    usable = rank(film(frames), RankingSettings()).usable
    assert not usable[20:23].any()
    assert usable.sum() >= 56


def test_flash_is_clipped_but_a_long_exposure_is_not(disc: Make, film: Make) -> None:
    """One frame at full scale goes; a capture exposed too long throughout stays usable and says so."""
    frames = disc().frames.copy()
    frames[7] = np.minimum(frames[7].astype(int) * 5, 255)
    ranking = rank(film(frames), RankingSettings())
    assert ranking.reason[7] == "clipped"
    assert sum(map(bool, ranking.reason)) == 1
    assert ranking.clipped_fraction == 0
    bright = np.minimum(disc().frames.astype(int) * 2, 255).astype(np.uint8)
    ranking = rank(film(bright), RankingSettings())
    assert ranking.usable.all()
    expected = (bright[10:50] >= 255).sum() / 40 / ranking.target.mask.sum()
    assert ranking.clipped_fraction == pytest.approx(expected, abs=0.08)


def test_unreadable_and_blank_frames(disc: Make, film: Make) -> None:
    """A frame that the reader refuses and one that is black are named; the rest is used."""
    frames = disc().frames.copy()
    frames[5] = 0
    capture = film(frames)
    capture.broken.update({0, 33})
    reason = rank(capture, RankingSettings(), 2).reason
    assert {i: word for i, word in enumerate(reason) if word} == {0: "unreadable", 5: "blank", 33: "unreadable"}


def test_not_a_number(disc: Make, film: Make) -> None:
    """Frames full of nan go; a pixel that is never a number does no harm."""
    frames = disc(count=30).frames.astype(np.float32)
    frames[3] = np.nan
    frames[8, :20] = np.inf
    frames[:, 50, 60] = np.nan
    ranking = rank(film(frames, full_scale=np.inf), RankingSettings())
    assert ranking.reason[3] == ranking.reason[8] == "not finite"
    assert ranking.usable.sum() == 28
    assert np.isfinite(ranking.sharpness[ranking.usable]).all()


def test_copies_are_judged_against_the_noise() -> None:
    """Independent noise of 3 ADU differs by 2 * 3 / sqrt(pi) = 3.39 ADU in the mean (half-normal, textbook)."""
    rng = np.random.default_rng(2)
    pairs = rng.normal(0, 3, (2, 100_000))
    assert np.abs(pairs[0] - pairs[1]).mean() == pytest.approx(2 * 3 / np.sqrt(np.pi), rel=0.01)
    differences = np.array([np.nan, 3.4, 3.6, 0.0, 0.4, 3.3, 3.5])
    assert np.flatnonzero(find_copies(differences, 3.0)).tolist() == [3, 4]


def test_running_median_follows_slow_change_and_skips_gaps() -> None:
    """A ramp with outliers and missing values: within 5 % of the ramp everywhere but near its ends."""
    ramp = np.linspace(100, 200, 1000)
    values = ramp.copy()
    values[::9], values[::7] = 0, np.nan
    np.testing.assert_allclose(running_median(values, 101)[60:-60], ramp[60:-60], rtol=0.05)
