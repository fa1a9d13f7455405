"""Stacks of the best part of the frames: the same as the stack of those frames alone, in one pass."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stacker.ranking.record import Ranking
from stacker.ranking.selection import choose_frames
from stacker.settings import StackingSettings
from stacker.stacking import stack
from stacker.stacking.portions import stack_portions

EVERYTHING = slice(0, 48), slice(0, 48)
PLAIN = StackingSettings(outlier_sigmas=0)


@pytest.fixture(params=[None, "RGGB"])
def made(request: pytest.FixtureRequest, by_hand: Callable[..., Any]) -> Any:
    """Forty noisy frames that drift, of different sharpness and weight."""
    rng = np.random.default_rng(8)
    frames = rng.normal(100, 5, (40, 48, 48)).astype(np.float32)
    shift = rng.uniform(-3, 3, (40, 2))
    film, ranking, alignment = by_hand(frames, shift, rng.uniform(0.5, 2, 40), mosaic=request.param)
    ranking = replace(ranking, sharpness=rng.uniform(1, 2, 40))
    _, half = choose_frames(ranking, "auto")
    return film, ranking, replace(alignment, half=half)


def test_all_frames_are_the_stack(made: Any) -> None:
    """The last portion is the stack itself, halves and all (sums are float32 here: 1e-5 of the level)."""
    film, ranking, alignment = made
    whole = stack(film, ranking, alignment, settings=PLAIN)
    *_, last = stack_portions(film, ranking, alignment, (50, 100), EVERYTHING, settings=PLAIN)
    pick = (lambda image: image) if whole.image.ndim == 2 else (lambda image: image[..., 1])
    assert last.frames == 40
    for mine, theirs in ((last.image, whole.image), (last.half_a, whole.half_a), (last.half_b, whole.half_b)):
        assert_allclose(mine, pick(theirs), atol=1e-3)


def test_a_part_is_the_stack_of_its_frames(made: Any) -> None:
    """A quarter of the frames, the sharpest of each half, averaged with the weights that they have in the whole."""
    film, ranking, alignment = made
    chosen, _ = choose_frames(ranking, 25)
    only = replace(
        alignment, frames=chosen, half=alignment.half[chosen], coarse_px=alignment.coarse_px[chosen],
        coefficients=alignment.coefficients[chosen], weight=alignment.weight[chosen], scale=alignment.scale[chosen],
    )  # fmt: skip
    wanted = stack(film, ranking, only, settings=PLAIN).image
    first, _ = stack_portions(film, ranking, alignment, (25, 100), EVERYTHING, settings=PLAIN)
    assert first.frames == len(chosen) == 10
    assert_allclose(first.effective_frames, alignment.weight[chosen].sum() ** 2 / (alignment.weight[chosen] ** 2).sum())
    seen = np.s_[8:-8, 8:-8]
    if wanted.ndim == 2:
        assert_allclose(first.image[seen], wanted[seen], atol=1e-3)


def test_a_box_is_a_part_of_the_whole(made: Any) -> None:
    """What lies outside the box is not needed for what lies inside."""
    film, ranking, alignment = made
    box = slice(10, 40), slice(4, 44)
    *_, whole = stack_portions(film, ranking, alignment, (100,), EVERYTHING, settings=PLAIN)
    *_, part = stack_portions(film, ranking, alignment, (100,), box, settings=PLAIN)
    assert_allclose(part.image, whole.image[box], atol=1e-4)


def test_workers_do_not_matter(made: Any) -> None:
    """One thread and two give the same bytes."""
    film, ranking, alignment = made
    one, two = (list(stack_portions(film, ranking, alignment, (30, 100), EVERYTHING, n)) for n in (1, 2))
    for first, second in zip(one, two, strict=True):
        assert_array_equal(first.half_a, second.half_a)
        assert_array_equal(first.image, second.image)


def test_steps_that_cannot_be_measured_are_left_out(made: Any) -> None:
    """Fewer than three frames a half, or no frame more than the step before."""
    film, ranking, alignment = made
    steps = stack_portions(film, ranking, alignment, (2, 5, 20, 20.2, 100), EVERYTHING)
    assert [step.frames for step in steps] == [8, 40]


def test_no_frame_is_counted_that_is_not_usable(made: Any) -> None:
    """Percentages are of the usable frames."""
    film, ranking, alignment = made
    reason = tuple("torn" if index < 20 else "" for index in range(40))
    usable: Ranking = replace(ranking, reason=reason)
    chosen, half = choose_frames(usable, "auto")
    only = replace(
        alignment, frames=chosen, half=half, coarse_px=alignment.coarse_px[chosen], weight=alignment.weight[chosen],
        coefficients=alignment.coefficients[chosen], scale=alignment.scale[chosen],
    )  # fmt: skip
    steps = list(stack_portions(film, usable, only, (50, 100), EVERYTHING))
    assert [step.frames for step in steps] == [10, 20]
