"""Runs compared fairly: what differs by more than its error, what does not, and what cannot be told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import NamedTuple

import numpy as np

from stacker.logbook.columns import Real, Whole
from stacker.logbook.comparison_record import (
    BETTER,
    CANNOT_TELL,
    HIGHER,
    LOWER,
    NO_DIFFERENCE,
    WORSE,
    Comparison,
    Difference,
    Group,
    Row,
)
from stacker.logbook.comparison_words import sentence_of
from stacker.logbook.contrasts import Contrasts, adjusted_for_many, block_contrasts, smallest_seen
from stacker.logbook.fairness import Judged, judge
from stacker.logbook.figures import FIGURES, NEITHER, Figure, on_scale
from stacker.logbook.grouping import grouped, is_setting, words_of
from stacker.logbook.limit_shares import mean_shares
from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.runs import Runs
from stacker.logbook.uncollected import uncollected
from stacker.settings import SettingsError

ALPHA = 0.05
"""Of all comparisons without any true difference, the share that shows a false one."""
ALL_PAIRS = 12
"""With more groups, each is compared with the one of most runs only."""
MOST_GROUPS = 200
LEAST_POWER = 2.0
"""Where even such a ratio would not have been seen, nothing is said about a difference."""


class _Found(NamedTuple):
    """A difference on the scale on which it is compared, before its verdict."""

    one: int
    other: int
    value: float
    error: float
    chance: float
    freedom: float


class _Layout(NamedTuple):
    """A figure over all groups, before its verdicts."""

    figure: Figure
    means: tuple[Measured | None, ...]
    counts: tuple[int, ...]
    contrasts: Contrasts
    found: tuple[_Found, ...]


@uncollected()
def compare_runs(runs: Sequence[LoggedRun], by: str = "run", alpha: float = ALPHA) -> Comparison:
    """Compare runs, each with each or by what they share (see `grouping.choices`).

    Groups are compared within blocks of what else a figure depends on: telescopes by target, filter and night, keep
    percentages by capture. Figures compared by ratio are taken as logarithms. An error is that of the run and what
    captures of one truth differ by beyond it, scaled by how far the runs scatter. A difference counts where its chance,
    for all that are looked at together, is below `alpha`.
    Raises SettingsError for fewer than two groups, more than can be compared, or an unknown `by`.
    """
    runs = Runs.of(runs)
    parts = grouped(runs, by)
    _check(parts, by)
    runs = runs.taken(np.concatenate(list(parts.values())))
    number = np.repeat(np.arange(len(parts)), [len(places) for places in parts.values()])
    groups = _groups(runs, number, list(parts))
    fairness = judge(runs)
    pairs = _pairs(groups)
    blocks = _Blocks(runs, by)
    layouts = [seen for figure in FIGURES if (seen := _lay_out(figure, fairness, number, len(groups), blocks, pairs))]
    rows, looked_at = _settle(layouts, [group.label for group in groups], alpha)
    return Comparison(by, groups, rows, fairness, alpha, looked_at, _notes(runs, len(groups), by))


def _check(parts: Mapping[str, Whole], by: str) -> None:
    if len(parts) < 2:
        runs = sum(map(len, parts.values()))
        there = {0: "no run fits", 1: f"only {next(iter(parts), '')} is there"}
        told = there.get(runs) or f"{runs} runs, all of {next(iter(parts))}"
        raise SettingsError(f"nothing to compare by {by}: {told}; name more runs, or see what 'stillair log' lists")
    if len(parts) > MOST_GROUPS:
        raise SettingsError(f"{len(parts)} groups by {by} are too many; narrow the choice, by --date for instance")


def _groups(runs: Runs, number: Whole, labels: Sequence[str]) -> tuple[Group, ...]:
    limits = mean_shares(runs, number, len(labels))
    return tuple(Group(label, runs.taken(number == place), limits[place]) for place, label in enumerate(labels))


def _pairs(groups: Sequence[Group]) -> list[tuple[int, int]]:
    if len(groups) <= ALL_PAIRS:
        return list(combinations(range(len(groups)), 2))
    most = max(range(len(groups)), key=lambda index: len(groups[index].runs))
    return [(index, most) for index in range(len(groups)) if index != most]


def _lay_out(
    figure: Figure,
    fairness: Judged,
    number: Whole,
    count: int,
    blocks: _Blocks,
    pairs: Sequence[tuple[int, int]],
) -> _Layout | None:
    """Return a figure over all groups, None where no run has it; where most runs have error bars, those count."""
    told = on_scale(figure, fairness)
    known = np.isfinite(told.value)
    has_errors = bool(known.any()) and float(np.isfinite(told.error[known]).mean()) > 0.5
    if has_errors:
        known &= np.isfinite(told.error) & (told.error > 0)
    if not known.any():
        return None
    values, errors, number = told.value[known], told.error[known] if has_errors else None, number[known]
    contrasts = block_contrasts(values, errors, number, blocks.of(figure)[known], count)
    counts = np.bincount(number, minlength=count)
    found = tuple(_found(contrasts, one, other) for one, other in pairs if counts[one] and counts[other])
    means = _means(figure, values, errors, number, counts, contrasts.scale)
    return _Layout(figure, means, tuple(int(n) for n in counts), contrasts, found)


class _Blocks:
    """What else differs between runs, numbered: only within a block are groups compared."""

    def __init__(self, runs: Runs, by: str) -> None:
        self._runs, self._by = runs, by
        self._found: dict[tuple[str, ...], Whole] = {}

    def of(self, figure: Figure) -> Whole:
        """Return the block of each run as to one figure; numbers of no order."""
        names = self._names(figure)
        if names not in self._found:
            self._found[names] = self._numbered(names)
        return self._found[names]

    def _numbered(self, names: tuple[str, ...]) -> Whole:
        block = np.zeros(len(self._runs), np.intp)
        for name in names:
            told = words_of(self._runs, name)
            block = np.unique(block * len(told.labels) + told.codes, return_inverse=True)[1]
        return block

    def _names(self, figure: Figure) -> tuple[str, ...]:
        if self._by == "run":
            return ()
        if is_setting(self._by):
            return ("capture",)
        # Two sites have no night in common: its date says nothing of the air.
        apart = (self._by, "night") if self._by == "site" else (self._by,)
        return tuple(name for name in figure.depends if name not in apart)


def _means(
    figure: Figure,
    values: Real,
    errors: Real | None,
    number: Whole,
    counts: Whole,
    scale: float,
) -> tuple[Measured | None, ...]:
    weights = np.ones_like(values) if errors is None else 1.0 / errors**2
    total = np.bincount(number, weights, len(counts))
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.bincount(number, weights * values, len(counts)) / total
        spread = scale / np.sqrt(total)
    return tuple(
        _measured(figure, float(means[index]), float(spread[index])) if counts[index] else None
        for index in range(len(counts))
    )


def _measured(figure: Figure, value: float, error: float) -> Measured:
    known = error if np.isfinite(error) else None
    if not figure.relative:
        return Measured(value, known)
    return Measured(float(np.exp(value)), None if known is None else float(np.exp(value)) * known)


def _order(figure: Figure, contrasts: Contrasts) -> tuple[int, ...]:
    """Return the groups of the largest set that can be compared, best first."""
    sets, sizes = np.unique(contrasts.component[contrasts.component >= 0], return_counts=True)
    if not len(sets):
        return ()
    members = np.flatnonzero(contrasts.component == sets[np.argmax(sizes)])
    sign = -1.0 if figure.better > 0 else 1.0
    return tuple(int(index) for index in members[np.argsort(sign * contrasts.effects[members], kind="stable")])


def _found(contrasts: Contrasts, one: int, other: int) -> _Found:
    value, error = contrasts.difference(one, other)
    return _Found(one, other, value, error, contrasts.chance(value, error), contrasts.freedom)


def _settle(layouts: Sequence[_Layout], labels: Sequence[str], alpha: float) -> tuple[tuple[Row, ...], int]:
    """Return the rows with verdicts that hold for all differences together, and how many were looked at."""
    chances = np.array([found.chance for seen in layouts for found in seen.found])
    adjusted = iter(adjusted_for_many(chances))
    looked_at = int(np.isfinite(chances).sum())
    rows = tuple(
        Row(
            seen.figure,
            seen.means,
            seen.counts,
            seen.contrasts.scale,
            _order(seen.figure, seen.contrasts),
            tuple(_told(seen.figure, found, float(next(adjusted)), labels, alpha, looked_at) for found in seen.found),
        )
        for seen in layouts
    )
    return rows, looked_at


def _told(
    figure: Figure, found: _Found, of_many: float, labels: Sequence[str], alpha: float, looked_at: int
) -> Difference:
    value, error = found.value, found.error
    seen = smallest_seen(error, found.freedom, alpha / max(looked_at, 1))
    if figure.relative:
        value, seen = float(np.exp(value)), float(np.exp(seen))
        error = value * error
    verdict = _verdict(figure, found, of_many, alpha)
    if verdict == NO_DIFFERENCE and figure.relative and not seen < LEAST_POWER:
        verdict = CANNOT_TELL
    told = Difference(found.one, found.other, value, error, found.chance, of_many, seen, verdict, "")
    return replace(told, sentence=sentence_of(figure, told, labels))


def _verdict(figure: Figure, found: _Found, of_many: float, alpha: float) -> str:
    if not np.isfinite(of_many):
        return CANNOT_TELL
    if not of_many < alpha:
        return NO_DIFFERENCE
    if figure.better == NEITHER:
        return HIGHER if found.value > 0 else LOWER
    return BETTER if found.value * figure.better > 0 else WORSE


def _notes(runs: Runs, groups: int, by: str) -> tuple[str, ...]:
    notes = []
    if by == "run" and len({(target or "").casefold() for target in runs.told("target")}) > 1:
        notes.append("different targets: what is resolved depends on the target's contrast too")
    captures = [digest for digest in runs.told("capture_sha256") if digest]
    if by == "run" and len(set(captures)) < len(captures):
        notes.append("runs of one capture share its noise: their difference is more certain than told here")
    if groups > ALL_PAIRS:
        notes.append(f"more than {ALL_PAIRS} groups: each is compared with the one of most runs only")
    return tuple(notes)
