"""The night as a plot: altitudes over time, twilight, best hours, cautions."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

from stacker.plot_file import write_plot
from stacker.sky.plan import Plan, TargetPlan

_RED = "#c00000"
_COLOURS = ("#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#8c6d00", "#000000", "#5e3c99")
"""Told apart by the colour-blind as well (Okabe & Ito 2008, Color Universal Design), darkened for white paper."""
_DASHES = ("-", "--", "-.", ":", (0, (9, 2)), (0, (1, 3)), (0, (7, 2, 1, 2, 1, 2)), (0, (3, 3)), (0, (9, 2, 3, 2)))
"""As many as targets: those with a caution share one colour."""
_TWILIGHTS = ((-0.8, "0.80"), (-6.0, "0.72"), (-12.0, "0.64"), (-18.0, "0.56"))


def write_night_plot(path: Path, plan: Plan) -> None:
    """Write the plot of a night as PNG or SVG, whole or not at all.

    Raises SettingsError where a plot cannot be made, OSError where the disk refuses.
    """
    write_plot(path, (11.0, 6.5), lambda figure: _draw(figure, plan))


def _draw(figure: Any, plan: Plan) -> None:
    axes = figure.add_subplot()
    hours = _hours(plan)
    suns = [sun.altitude_deg or 0.0 for sun in plan.night.suns]
    for limit, grey in _TWILIGHTS:
        below = [sun <= limit for sun in suns]
        axes.fill_between(hours, 0, 90, where=below, color=grey, alpha=0.35, linewidth=0)
    for index, target in enumerate(plan.targets):
        _draw_target(axes, hours, target, index)
    axes.set(ylim=(0, 90), xlim=(hours[0], hours[-1]), ylabel="altitude in degrees", xlabel="hours UTC")
    ticks = range(int(hours[0]) + 1, int(hours[-1]) + 1, 2)
    axes.set_xticks(list(ticks), [f"{tick % 24:02d}" for tick in ticks])
    axes.grid(alpha=0.3)
    site = plan.night.site
    place = site.name or site.place()
    axes.set_title(f"{place}, night of {plan.night.evening.isoformat()} (thick: best hours; grey: the Sun is down)")
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))
    cautions = [target.caution for target in plan.targets if target.caution]
    if cautions:
        figure.supxlabel(
            "\n".join(textwrap.fill(words, 130) for words in cautions), color=_RED, fontsize=9, weight="bold"
        )


def _draw_target(axes: Any, hours: list[float], target: TargetPlan, index: int) -> None:
    altitudes = [look.altitude_deg or -90.0 for look in target.looks]
    colour = _RED if target.caution else _COLOURS[index % len(_COLOURS)]
    label = f"{target.target} (DANGER)" if target.caution else target.target
    dash = _DASHES[index % len(_DASHES)]
    axes.plot(hours, altitudes, color=colour, linestyle=dash, linewidth=1.4, label=label)
    if target.best is not None and target.is_worth_it:
        times = [look.moment.utc for look in target.looks]
        inside = [target.best.start_utc <= time <= target.best.end_utc for time in times]
        shown = [altitude if here else float("nan") for altitude, here in zip(altitudes, inside, strict=True)]
        axes.plot(hours, shown, color=colour, linewidth=4.5, alpha=0.75, solid_capstyle="round")


def _hours(plan: Plan) -> list[float]:
    times = plan.night.times_utc
    first = times[0].hour + times[0].minute / 60.0
    return [first + (time - times[0]).total_seconds() / 3600.0 for time in times]
