"""The plots of a comparison: what was reached against the telescope's limit and the air, and how groups stand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from stacker.logbook.comparison_record import Comparison, Row
from stacker.logbook.fairness import Fairness
from stacker.report.drawing import ACCENT, INK, LINE, MUTED, SECOND, drawn
from stacker.report.markup import Markup, element

MOST_ROWS = 16
_SHOWN = ("resolution_arcsec", "resolution_over_diffraction", "resolution_over_expected", "snr")


def comparison_plots(comparison: Comparison, shown: Sequence[tuple[str, Fairness]]) -> list[Markup]:
    """Return a figure of `shown` runs (label, fairness) against limits and air, and each main figure by group."""
    made = [_against_limits(shown[:MOST_ROWS])]
    if comparison.by != "run" and len(comparison.groups) <= MOST_ROWS:
        made += [_by_group(comparison, row) for row in comparison.rows if row.figure.name in _SHOWN]
    return [figure for figure in made if figure is not None]


def _against_limits(shown: Sequence[tuple[str, Fairness]]) -> Markup | None:
    told = [(label, fair) for label, fair in shown if fair.resolution_arcsec is not None]
    if not told:
        return None

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        for place, (_, fair) in enumerate(told):
            reached = fair.resolution_arcsec
            assert reached is not None
            known = [v for v in (fair.diffraction_arcsec, fair.seeing_arcsec, reached.value) if v is not None]
            axes.plot([min(known), max(known)], [place, place], color=LINE, linewidth=5, solid_capstyle="round")
            _mark(axes, fair.diffraction_arcsec, place, "|", INK, 15)
            _mark(axes, fair.seeing_arcsec, place, "X", MUTED, 7)
            _mark(axes, fair.expected_arcsec, place, "d", SECOND, 8)
            axes.errorbar(
                reached.value, place, xerr=reached.error or 0.0, fmt="o", color=ACCENT, markersize=7, capsize=2
            )
        legend: tuple[tuple[str, str, str, Callable[[Fairness], float | None]], ...] = (
            ("|", INK, "diffraction limit", lambda fair: fair.diffraction_arcsec),
            ("o", ACCENT, "reached", lambda fair: 1.0),
            ("d", SECOND, "usual in that air", lambda fair: fair.expected_arcsec),
            ("X", MUTED, "seeing", lambda fair: fair.seeing_arcsec),
        )
        for marker, colour, words, read in legend:
            if any(read(fair) is not None for _, fair in told):
                axes.plot([], [], marker, color=colour, label=words, markersize=7)
        axes.set(xscale="log", xlabel="arcsec", ylim=(len(told) - 0.4, -0.6))
        low, high = axes.get_xlim()
        ticks = [t for t in (0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 7, 10) if low <= t <= high]
        axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
        axes.minorticks_off()
        axes.set_yticks(range(len(told)), [label for label, _ in told])
        axes.grid(axis="y", visible=False)
        figure.legend(loc="outside upper left", ncols=2, columnspacing=1.2)

    words = f"Resolution of {len(told)} runs against the diffraction limit of their telescope and the seeing."
    caption = (
        "A fair look at large and small: how far each came from the seeing (cross) towards its telescope's own limit "
        "(bar). The diamond is what this aperture usually reaches in that air; left of it is better than usual."
    )
    svg = drawn("fairness", words, draw, (4.7, 1.35 + 0.33 * len(told)))
    return element(
        "figure", element("h3", "What each reached, and what it could have"), svg, element("figcaption", caption)
    )


def _mark(axes: Any, value: float | None, place: int, marker: str, colour: str, size: float) -> None:
    if value is not None:
        axes.plot(value, place, marker, color=colour, markersize=size, markeredgewidth=1.6 if marker == "|" else 0.0)


def _by_group(comparison: Comparison, row: Row) -> Markup | None:
    unit = {'"': "arcsec"}.get(row.figure.unit, row.figure.unit)
    told = [(group.label, mean) for group, mean in zip(comparison.groups, row.means, strict=True) if mean is not None]
    if len(told) < 2:
        return None

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        for place, (_, mean) in enumerate(told):
            axes.errorbar(mean.value, place, xerr=mean.error or 0.0, fmt="o", color=ACCENT, markersize=7, capsize=2)
        axes.set(xlabel=f"{row.figure.words}{f', {unit}' if unit else ''}")
        axes.set(ylim=(len(told) - 0.4, -0.6))
        axes.set_yticks(range(len(told)), [label for label, _ in told])
        axes.grid(axis="y", visible=False)

    words = f"{row.figure.words} by {comparison.by}, with errors."
    title = row.figure.words[0].upper() + row.figure.words[1:]
    caption = (
        "Means over the runs of each, with their errors; what else differed is taken out in the verdicts, not here."
    )
    svg = drawn(f"group-{row.figure.name}", words, draw, (4.7, 0.75 + 0.33 * len(told)))
    return element("figure", element("h3", title), svg, element("figcaption", caption))
