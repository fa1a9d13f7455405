"""Which frames are used: counts, halves that alternate in time, each with its own sharpest; the zero of the shifts."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from stacker.ranking.record import Ranking, Target
from stacker.ranking.selection import BLOCK_FRAMES, FEWEST_FOR_HALVES, auto_percent, centred, choose_frames


def ranking(sharpness: np.ndarray, lost: tuple[int, ...] = (), kind: str = "surface") -> Ranking:
    count = len(sharpness)
    shift = np.stack([np.linspace(-31, 50, count), np.linspace(7, -90, count)], axis=1)
    shift[list(lost)] = np.nan
    return Ranking(
        Target(kind, (50.0, 60.0), 20.0, np.ones((100, 120), bool)),
        0,
        sharpness,
        np.full((count, 1, 1), np.nan, np.float32),
        np.ones(count),
        shift,
        tuple("blank" if number in lost else "" for number in range(count)),
        1.0,
        0.0,
    )


@pytest.fixture
def many() -> Ranking:
    rng = np.random.default_rng(1)
    return ranking(rng.uniform(0.5, 1.5, 400), tuple(rng.choice(400, 37, replace=False).tolist()))


@pytest.mark.parametrize("keep", [1.0, 20.0, 33.0, 100.0, "auto"])
def test_the_percentage_counts_usable_frames(keep: float | str, many: Ranking) -> None:
    frames, half = choose_frames(many, keep)
    wanted = 363 if keep == "auto" else 363 * float(keep) / 100
    assert len(frames) == pytest.approx(wanted, abs=1)
    assert len(half) == len(frames)
    assert (np.diff(frames) > 0).all()
    assert many.usable[frames].all()


def test_auto_leaves_out_what_is_less_than_half_as_sharp() -> None:
    """Two airs: amplitudes 1 and 0.4, energies 1 and 0.16; steady air, however noisy its frames' ranks: all."""
    mixed = ranking(np.where(np.arange(400) % 5 < 2, 1.0, 0.16))
    frames, half = choose_frames(mixed, "auto")
    assert auto_percent(mixed) == pytest.approx(40.0)
    assert mixed.sharpness[frames].min() == 1.0
    assert np.bincount(half).tolist() == [80, 80]
    assert auto_percent(ranking(np.random.default_rng(2).uniform(0.5, 1.5, 300))) == 100.0


@pytest.mark.parametrize("sharpness", [np.zeros(30), np.full(30, -0.1), np.full(30, np.nan)])
def test_auto_takes_all_where_nothing_is_sharp(sharpness: np.ndarray) -> None:
    assert auto_percent(ranking(sharpness)) == 100.0


def test_each_half_takes_its_own_sharpest(many: Ranking) -> None:
    """No frame of a half that was left out is sharper than one that was taken."""
    _, everyone = choose_frames(many, 100.0)
    member = dict(zip(np.flatnonzero(many.usable).tolist(), everyone.tolist(), strict=True))
    frames, half = choose_frames(many, 20.0)
    assert np.bincount(half).tolist() == pytest.approx([36, 36], abs=2)
    for side in (0, 1):
        taken = frames[half == side]
        assert all(member[frame] == side for frame in taken.tolist())
        left = [frame for frame, of in member.items() if of == side and frame not in set(taken.tolist())]
        assert many.sharpness[taken].min() >= many.sharpness[left].max()


def test_halves_alternate_in_blocks_of_time(many: Ranking) -> None:
    """Both see the whole capture and its slow changes; neighbours, which share their air, stay together."""
    frames, half = choose_frames(many, "auto")
    turns = np.flatnonzero(np.diff(half)) + 1
    assert set(np.diff(turns).tolist()) == {BLOCK_FRAMES}
    assert abs(frames[half == 0].mean() - frames[half == 1].mean()) < 1.5 * BLOCK_FRAMES


def test_slow_change_of_seeing_does_not_empty_a_half() -> None:
    """The sharp frames all at the end: a fifth of either half (8 and 7 blocks of 20) is taken."""
    _, half = choose_frames(ranking(np.linspace(0.2, 2, 300)), 20.0)
    assert np.bincount(half).tolist() == [32, 28]


@pytest.mark.parametrize("count", [1, 3, FEWEST_FOR_HALVES - 1, FEWEST_FOR_HALVES, 20])
def test_few_frames_make_one_half(count: int) -> None:
    frames, half = choose_frames(ranking(np.linspace(1, 2, count)), "auto")
    assert_array_equal(frames, np.arange(count))
    assert set(half.tolist()) == ({0} if count < FEWEST_FOR_HALVES else {0, 1})


def test_at_least_one_frame_is_left_and_it_is_the_sharpest() -> None:
    sharpness = np.ones(50)
    sharpness[17] = 3
    frames, half = choose_frames(ranking(sharpness), 0.01)
    assert (frames.tolist(), half.tolist()) == ([17], [0])


def test_the_zero_of_a_surface_goes_to_the_middle_of_its_drift(many: Ranking) -> None:
    """By even whole pixels, so that a mosaic keeps its phase; every difference of shifts stays."""
    laid = centred(many)
    moved = (many.coarse_shift_px - laid.coarse_shift_px)[many.usable]
    assert np.ptp(moved, axis=0).max() < 1e-9
    moved = np.rint(moved)
    assert not (moved[0] % 2).any()
    assert np.abs(np.median(laid.coarse_shift_px[many.usable], axis=0)).max() <= 1
    assert_array_equal(np.array(laid.target.centre_px), np.array(many.target.centre_px) + moved[0])


def test_a_disc_keeps_its_zero() -> None:
    planet = ranking(np.ones(30), kind="disc")
    assert centred(planet) is planet
