"""A comparison in words: tables of groups and of runs, then what differs and what does not."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite
from typing import TYPE_CHECKING

from stacker.cli.log_words import table, with_error
from stacker.logbook.comparison_record import CANNOT_TELL, NO_DIFFERENCE
from stacker.logbook.comparison_words import ranking_of, why_not
from stacker.logbook.limit_shares import worst

if TYPE_CHECKING:
    from stacker.logbook.comparison_record import Comparison, Row
    from stacker.logbook.fairness import Fairness

_MOST_RUNS = 24
_MOST_GROUPS = 6
_MOST_LIMITS = 4
_MARGIN = "  "


def comparison_words(told: Comparison) -> list[str]:
    """Return the lines that a person wants to read."""
    runs = sum(len(group.runs) for group in told.groups)
    lines = [f"{runs} runs compared by {told.by}", "", *_groups(told)]
    lines += _limited(told)
    if runs <= _MOST_RUNS:
        lines += [
            "",
            "each run against its telescope's limit and against the air of its night, in arcsec:",
            *_limits(told),
        ]
    lines += ["", *_verdicts(told)]
    lines += [f"note: {note}" for note in told.notes]
    return lines


def _groups(told: Comparison) -> list[str]:
    """Return the means of the groups: a column a group, or a row a group where there are many."""
    titles = [", ".join(filter(None, (row.figure.words, _unit(row.figure.unit)))) for row in told.rows]
    cells = [[with_error(mean) for mean in row.means] for row in told.rows]
    labels = [f"{group.label} ({len(group.runs)})" for group in told.groups]
    if len(labels) <= _MOST_GROUPS:
        return table([["", *labels], *([title, *row] for title, row in zip(titles, cells, strict=True))])
    keys = [str(number) for number in range(1, len(titles) + 1)]
    rows = [[label, *(column[index] for column in cells)] for index, label in enumerate(labels)]
    return [*table([["", *keys], *rows]), *(f"{key}: {title}" for key, title in zip(keys, titles, strict=True))]


def _unit(unit: str) -> str:
    return {'"': "arcsec"}.get(unit, unit)


def _limited(told: Comparison) -> list[str]:
    """Return what limited each group, worst first; nothing where no run tells."""
    rows = [
        (_MARGIN + group.label, ", ".join(f"{name} {with_error(share)}" for name, share in group.limits[:_MOST_LIMITS]))
        for group in told.groups
        if group.limits
    ]
    return ["", "share of the shortfall from the diffraction limit:", *table(rows)] if rows else []


def _limits(told: Comparison) -> list[str]:
    titles = (
        "run",
        "telescope",
        "night",
        "lambda/D",
        "seeing",
        "expected",
        "reached",
        "x limit",
        "x expected",
        "limited by",
    )
    return [_MARGIN + line for line in table([titles, *(_limit(fair) for fair in told.fairness)])]


def _limit(fair: Fairness) -> tuple[str, ...]:
    return (
        fair.run.id[:8],
        fair.run.telescope or "-",
        fair.run.night or "-",
        _number(fair.diffraction_arcsec),
        _number(fair.seeing_arcsec),
        _number(fair.expected_arcsec),
        with_error(fair.resolution_arcsec),
        with_error(fair.over_diffraction),
        with_error(fair.over_expected),
        worst(fair.run) or "-",
    )


def _number(value: float | None) -> str:
    return "-" if value is None or not isfinite(value) else f"{value:.2f}"


def _verdicts(told: Comparison) -> Iterator[str]:
    """Yield what differs, what does not and what cannot be told."""
    found = [difference for row in told.rows for difference in row.differences]
    differ = [one.sentence for one in found if one.verdict not in (NO_DIFFERENCE, CANNOT_TELL)]
    yield f"differs by more than its error ({len(differ)} of {told.looked_at} differences looked at):"
    yield from (_MARGIN + sentence for sentence in differ or ["nothing"])
    same = [one.sentence for one in found if one.verdict == NO_DIFFERENCE]
    for title, sentences in (("no difference:", same), ("cannot be told:", _untold(told))):
        if sentences:
            yield title
            yield from (_MARGIN + sentence for sentence in sentences)
    yield from _orders(told)


def _untold(told: Comparison) -> list[str]:
    """Return a line for each pair of groups and reason: most of the figures cannot be told for the same one."""
    figures: dict[str, list[str]] = {}
    for row in told.rows:
        for found in row.differences:
            if found.verdict == CANNOT_TELL:
                pair = f"{told.groups[found.one].label} against {told.groups[found.other].label}"
                figures.setdefault(f"{pair}, as {why_not(row.figure, found)}", []).append(row.figure.words)
    return [f"{pair}: {', '.join(names)}" for pair, names in figures.items()]


def _orders(told: Comparison) -> Iterator[str]:
    """Yield the groups in order for each figure in which some differ."""
    labels = [group.label for group in told.groups]
    ranked = [row for row in told.rows if len(row.order) > 2 and row.figure.better and _any_differs(row)]
    if ranked:
        yield "best first (> better, = no difference):"
    for row in ranked:
        yield f"{_MARGIN}{row.figure.words}: {ranking_of(row, labels)}"


def _any_differs(row: Row) -> bool:
    return any(found.verdict not in (NO_DIFFERENCE, CANNOT_TELL) for found in row.differences)
