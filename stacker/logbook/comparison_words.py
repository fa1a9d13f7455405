"""A comparison in words."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from stacker.logbook.comparison_record import CANNOT_TELL, NO_DIFFERENCE, Difference, Row
from stacker.logbook.figures import NEITHER, Figure
from stacker.logbook.logged_run import Measured


def sentence_of(figure: Figure, found: Difference, labels: Sequence[str]) -> str:
    """Return one sentence on one group against another."""
    one, other = labels[found.one], labels[found.other]
    if found.verdict == CANNOT_TELL:
        return f"{figure.words}: {one} against {other} cannot be told; {why_not(figure, found)}"
    if found.verdict == NO_DIFFERENCE:
        return (
            f"{figure.words}: no difference between {one} and {other} ({_size(figure, found)}; {_limit(figure, found)})"
        )
    return f"{figure.words}: {one} is {_comparative(figure, found)} than {other} ({_size(figure, found)})"


def why_not(figure: Figure, found: Difference) -> str:
    """Return why a difference cannot be told."""
    if not np.isfinite(found.value):
        return "they share no target, filter and night"
    if np.isfinite(found.chance):
        return f"too few runs or too large errors: {_limit(figure, found)}"
    return "there is no error bar and too few runs to see the scatter"


def _comparative(figure: Figure, found: Difference) -> str:
    larger = found.value > (1.0 if figure.relative else 0.0)
    if figure.better == NEITHER:
        return "larger" if larger else "smaller"
    return f"{found.verdict}, {'larger' if larger else 'smaller'}"


def _size(figure: Figure, found: Difference) -> str:
    size = Measured(found.value, found.error).words()
    return f"ratio {size}" if figure.relative else f"difference {size} {figure.unit}".rstrip()


def _limit(figure: Figure, found: Difference) -> str:
    if figure.relative:
        return f"ratios above {found.detectable:.3g} would have been seen"
    return f"{found.detectable:.3g} {figure.unit} would have been seen".replace("  ", " ")


def ranking_of(row: Row, labels: Sequence[str]) -> str:
    """Return the groups of a figure, best first: `>` stands where neighbours differ, `=` where they do not."""
    verdicts = {frozenset((found.one, found.other)): found.verdict for found in row.differences}
    words = labels[row.order[0]] if row.order else ""
    for before, after in pairwise(row.order):
        verdict = verdicts.get(frozenset((before, after)), CANNOT_TELL)
        words += ", " if verdict == CANNOT_TELL else " = " if verdict == NO_DIFFERENCE else " > "
        words += labels[after]
    return words
