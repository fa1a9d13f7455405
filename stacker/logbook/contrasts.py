"""Differences between groups of numbers, freed of what else differed, and how sure they are: arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.logbook.tails import beyond_chi_squared, beyond_t, t_beyond

Real = NDArray[np.float64]
Whole = NDArray[np.intp]

TRUST_IN_ERRORS = 8.0
"""Degrees of freedom that the error bars are worth: they are themselves known to 1 / sqrt(2 * 8), a quarter."""

_CONTRADICTED = 0.05
"""Chance of the scatter below which the error bars are not believed any more, and only the scatter counts."""


@dataclass(frozen=True)
class Contrasts:
    """What a two-way layout tells of its groups."""

    effects: Real
    """(G,) each group's level, of which only differences within a component have a meaning."""
    covariance: Real
    """(G, G) of the effects, before `scale`."""
    component: Whole
    """(G,) groups of the same number share blocks, directly or through others; -1 for a group without any value."""
    scale: float
    """Factor on every error: how much more the values scatter than their error bars say; nan where nothing tells."""
    freedom: float
    """Degrees of freedom of `scale`."""

    def difference(self, one: int, other: int) -> tuple[float, float]:
        """Return effect `one` minus effect `other` and its error; nan where the two cannot be compared."""
        if self.component[one] < 0 or self.component[one] != self.component[other]:
            return np.nan, np.nan
        spread = self.covariance[one, one] + self.covariance[other, other] - 2.0 * self.covariance[one, other]
        return float(self.effects[one] - self.effects[other]), self.scale * float(np.sqrt(max(spread, 0.0)))

    def chance(self, difference: float, error: float) -> float:
        """Return how often a difference so large comes about where there is none (two-sided t-test); nan if unknown."""
        if not (np.isfinite(difference) and error > 0 and self.freedom > 0):
            return np.nan
        return beyond_t(abs(difference) / error, self.freedom)


def smallest_seen(error: float, freedom: float, alpha: float) -> float:
    """Return the smallest difference that is significant at `alpha`, given its error; nan if unknown."""
    if not (error > 0 and freedom > 0):
        return np.nan
    return t_beyond(alpha, freedom) * error


def block_contrasts(values: Real, errors: Real | None, groups: Whole, blocks: Whole, count: int) -> Contrasts:
    """Compare `count` groups within blocks: value = group + block + error, by weighted least squares.

    `values` and `errors` are (N,), `groups` and `blocks` (N,) whole numbers from 0. Blocks are eliminated from the
    normal equations (the information matrix of a block design: John 1971, Statistical Design and Analysis of
    Experiments, chapter 11), so that a group is judged only against others of the same block. Errors are scaled by
    what the values scatter about the fit; where there are error bars they count as `TRUST_IN_ERRORS` degrees of freedom
    beside it (moderated t-statistic: Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3, 3) unless the scatter contradicts
    them (chi-squared test); without error bars all values weigh alike.
    """
    values = np.asarray(values, np.float64)
    weights = np.ones_like(values) if errors is None else 1.0 / np.asarray(errors, np.float64) ** 2
    blocks = np.unique(blocks, return_inverse=True)[1] if len(blocks) else blocks
    incidence, of_block = _incidence(weights, groups, blocks, count)
    shares = incidence / of_block
    block_means = np.bincount(blocks, weights * values) / of_block
    excess = np.bincount(groups, weights * (values - block_means[blocks]), count)
    component = _components(incidence)
    covariance = _covariance(shares @ incidence.T, component)
    effects = covariance @ excess
    scale, freedom = _scale(values, weights, groups, blocks, effects, component, errors is not None)
    return Contrasts(effects, covariance, component, scale, freedom)


def _incidence(weights: Real, groups: Whole, blocks: Whole, count: int) -> tuple[Real, Real]:
    """Return the sum of weights of each group in each block (G, B), and of each block (B,)."""
    width = int(blocks.max()) + 1 if len(blocks) else 0
    table: Real = np.zeros((count, width))
    np.add.at(table, (groups, blocks), weights)
    return table, np.asarray(table.sum(0))


def _components(incidence: Real) -> Whole:
    """Number the sets of groups that are linked through common blocks; -1 for a group without values."""
    present = incidence > 0
    linked = present @ present.T
    component = np.full(len(incidence), -1, np.intp)
    for first in np.flatnonzero(present.any(1)):
        if component[first] >= 0:
            continue
        reached = linked[first]
        while (grown := linked[reached].any(0)).sum() > reached.sum():
            reached = grown
        component[reached] = first
    return component


def _covariance(common: Real, component: Whole) -> Real:
    """Return the pseudo-inverse of the information that groups have on each other through `common` blocks, both (G, G).

    Off its diagonal the information is -`common`, and its rows sum to 0: a level common to all is not known. Taken as
    that sum the diagonal loses no digits where a group stands alone in most blocks. With a constant added it has an
    inverse.
    """
    covariance: Real = np.zeros(common.shape)
    for number in set(component[component >= 0].tolist()):
        mine = np.ix_(component == number, component == number)
        information = -common[mine]
        np.fill_diagonal(information, 0.0)
        np.fill_diagonal(information, -information.sum(1))
        level = np.trace(information) / len(information) ** 2
        if level > 0:
            covariance[mine] = np.linalg.inv(information + level) - 1.0 / (level * len(information) ** 2)
    return covariance


def _scale(
    values: Real, weights: Real, groups: Whole, blocks: Whole, effects: Real, component: Whole, has_errors: bool
) -> tuple[float, float]:
    left = values - effects[groups]
    left = left - (np.bincount(blocks, weights * left) / np.bincount(blocks, weights))[blocks]
    misfit = float((weights * left**2).sum())
    present = component >= 0
    fitted = int(present.sum()) + (int(blocks.max()) + 1 if len(blocks) else 0) - len(set(component[present]))
    spare = float(len(values) - fitted)
    contradicted = spare > 0 and beyond_chi_squared(misfit, spare) < _CONTRADICTED
    if has_errors and not contradicted:
        total = TRUST_IN_ERRORS + spare
        return float(np.sqrt((TRUST_IN_ERRORS + misfit) / total)), total
    return (float(np.sqrt(misfit / spare)), spare) if spare > 0 else (np.nan, 0.0)


def adjusted_for_many(chances: Real) -> Real:
    """Return the chances (n,) after Holm: below alpha, at most alpha of all tables show any false difference.

    Holm 1979, Scand. J. Statist. 6, 65: sequentially rejective, valid for tests that depend on each other. nan stays
    nan and does not count.
    """
    adjusted = np.full(len(chances), np.nan)
    known = np.flatnonzero(np.isfinite(chances))
    order = known[np.argsort(chances[known], kind="stable")]
    steps = chances[order] * np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0) if len(order) else steps
    return adjusted
