"""Differences within blocks against plain least squares, scipy's tests and the papers' worked examples."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stacker.logbook.contrasts import TRUST_IN_ERRORS, adjusted_for_many, block_contrasts, smallest_seen


def _design(groups: np.ndarray, blocks: np.ndarray) -> np.ndarray:
    """Return the plain design matrix of a two-way layout."""
    return np.hstack([np.eye(groups.max() + 1)[groups], np.eye(blocks.max() + 1)[blocks]])


def test_blocks_are_taken_out_as_plain_least_squares_does(random: np.random.Generator) -> None:
    """The slow twin: the whole design matrix, weights in, its pseudo-inverse for the covariance."""
    groups, blocks = random.integers(0, 3, 40), random.integers(0, 6, 40)
    errors = random.uniform(0.5, 2.0, 40)
    values = np.array([0.0, 1.0, -2.0])[groups] + random.normal(0, 5, 6)[blocks] + errors * random.normal(size=40)
    found = block_contrasts(values, errors, groups, blocks, 3)
    design = _design(groups, blocks) / errors[:, None]
    solution, _, rank, _ = np.linalg.lstsq(design, values / errors)
    covariance = np.linalg.pinv(design.T @ design)
    misfit = float(((values / errors - design @ solution) ** 2).sum())
    assert found.freedom == TRUST_IN_ERRORS + 40 - rank
    assert_allclose(found.scale**2, (TRUST_IN_ERRORS + misfit) / found.freedom, rtol=1e-9)
    for one, other in ((0, 1), (0, 2), (1, 2)):
        value, error = found.difference(one, other)
        spread = covariance[one, one] + covariance[other, other] - 2 * covariance[one, other]
        assert_allclose([value, error], [solution[one] - solution[other], found.scale * np.sqrt(spread)], rtol=1e-9)


@pytest.mark.parametrize("count", [2, 9, 27, 38])
def test_one_value_a_group_differs_by_what_it_differs(random: np.random.Generator, count: int) -> None:
    """In one block the difference of two lone values is theirs, and its error that of both: the level that all share,
    of which nothing is known, takes no part in it, whatever rounding leaves of it where errors are almost alike."""
    groups = np.arange(count)
    for _ in range(20):
        values, errors = random.normal(7.0, 1.0, count), 0.1118 * (1.0 + 1e-16 * random.integers(-3, 4, count))
        found = block_contrasts(values, errors, groups, np.zeros(count, int), count)
        for one in range(count - 1):
            wanted = values[one] - values[-1], found.scale * np.hypot(errors[one], errors[-1])
            assert_allclose(found.difference(one, count - 1), wanted, rtol=1e-9, atol=1e-12)


def test_a_group_that_is_mostly_alone_is_compared_where_it_is_not(random: np.random.Generator) -> None:
    """A hundred precise values in blocks of their own say nothing of the difference."""
    values = np.concatenate([random.normal(size=100), [1.0, 1.5]])
    errors = np.concatenate([np.full(100, 0.01), [0.3, 0.4]])
    groups, blocks = np.concatenate([np.zeros(101, int), [1]]), np.concatenate([np.arange(100), [100, 100]])
    found = block_contrasts(values, errors, groups, blocks, 2)
    assert_allclose(found.difference(0, 1), (-0.5, 0.5 * found.scale), rtol=1e-9)


def test_without_error_bars_and_blocks_it_is_the_t_test(random: np.random.Generator) -> None:
    """Student's test of two samples with a common variance, by scipy."""
    one, other = random.normal(1, 1, 7), random.normal(0, 1, 9)
    groups = np.repeat([0, 1], [7, 9])
    found = block_contrasts(np.concatenate([one, other]), None, groups, np.zeros(16, int), 2)
    assert_allclose(found.chance(*found.difference(0, 1)), stats.ttest_ind(one, other).pvalue, rtol=1e-9)


def test_without_error_bars_and_with_pairs_it_is_the_paired_t_test(random: np.random.Generator) -> None:
    """Student's test of pairs, by scipy: the same captures processed in two ways."""
    one = random.normal(10, 5, 8)
    other = one + random.normal(0.5, 0.4, 8)
    groups, blocks = np.repeat([0, 1], 8), np.tile(np.arange(8), 2)
    found = block_contrasts(np.concatenate([one, other]), None, groups, blocks, 2)
    assert_allclose(found.chance(*found.difference(0, 1)), stats.ttest_rel(one, other).pvalue, rtol=1e-9)


def test_groups_that_never_met_cannot_be_told_apart() -> None:
    """Two telescopes on two nights each of its own: the air is in the difference. A third that met both links them."""
    values, errors = np.array([1.0, 2.0]), np.ones(2)
    apart = block_contrasts(values, errors, np.array([0, 1]), np.array([0, 1]), 2)
    assert np.isnan(apart.difference(0, 1)).all() and np.isnan(apart.chance(*apart.difference(0, 1)))
    linked = block_contrasts(
        np.array([1.0, 2.0, 5.0, 7.0]), np.ones(4), np.array([0, 2, 1, 2]), np.array([0, 0, 1, 1]), 3
    )
    # 0 is 1 below 2, and 1 is 2 below 2.
    assert_allclose(linked.difference(0, 1)[0], 1.0)


def test_a_group_without_values_and_a_lone_value_tell_nothing() -> None:
    found = block_contrasts(np.array([1.0]), None, np.array([0]), np.array([0]), 2)
    assert np.isnan(found.difference(0, 1)[0]) and np.isnan(found.chance(1.0, found.scale))


def test_holm_s_steps() -> None:
    """Holm 1979: the smallest chance times n, the next times n - 1, never falling. The example is computed by hand."""
    told = adjusted_for_many(np.array([0.01, np.nan, 0.04, 0.03, 0.005]))
    assert_allclose(told, [0.03, np.nan, 0.06, 0.06, 0.02])
    assert adjusted_for_many(np.array([])).shape == (0,)


def test_what_would_have_been_seen_is_what_is_significant() -> None:
    """A difference of just that size has just that chance."""
    found = block_contrasts(np.array([0.0, 0.0]), np.ones(2), np.array([0, 1]), np.zeros(2, int), 2)
    _, error = found.difference(0, 1)
    assert_allclose(found.chance(smallest_seen(error, found.freedom, 0.01), error), 0.01, rtol=1e-9)


@pytest.mark.parametrize("excess", [1.0, 3.0])
def test_false_differences_are_as_rare_as_they_should_be(random: np.random.Generator, excess: float) -> None:
    """One truth, 3 telescopes on 8 nights: 5 in 100 tests call a difference, also where runs scatter three times as
    far as their error bars say. 4000 tests: 3.4 standard deviations of a binomial are 0.012."""
    groups, blocks = np.tile(np.arange(3), 8), np.repeat(np.arange(8), 3)
    chances = []
    for _ in range(4000):
        values = random.normal(0, 2, 8)[blocks] + excess * random.normal(0, 0.1, 24)
        found = block_contrasts(values, np.full(24, 0.1), groups, blocks, 3)
        chances.append(found.chance(*found.difference(0, 1)))
    share = float(np.mean(np.array(chances) < 0.05))
    assert 0.03 < share < 0.062
