"""The plots of a night: what the air allowed and what was reached, hour by hour."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from stacker.logbook import LoggedRun
from stacker.logbook.standing import moment_from
from stacker.report.drawing import ACCENT, INK, MUTED, SECOND, THIRD, drawn
from stacker.report.markup import Markup, element

_COLOURS = (ACCENT, SECOND, THIRD, INK, MUTED)
_SHAPES = ("o", "s", "^", "D", "v", "P", "X")
_ONE_NIGHT_H = 30.0
_APART = 0.02
"""Of the axis, between telescopes."""
_CURVES = (
    ("resolution_over_diffraction", "resolution over diffraction", "How near to their limit the telescopes came", 1.0),
    ("seeing_arcsec", "seeing, arcsec", "How the seeing was", None),
)
_CAPTIONS = {
    "resolution_over_diffraction": "1, the dashed line, is perfect. Each mark is a run with its error.",
    "seeing_arcsec": "The disc into which the air of each run would blur a star, at the target's height.",
}


def night_plots(runs: Sequence[LoggedRun]) -> list[Markup]:
    """Return a figure for everything that at least two runs of known time tell."""
    timed = [(moment, run) for run in runs if (moment := moment_from(run.start_utc)) is not None]
    found = []
    for key, label, title, level in _CURVES:
        told = [(moment, run) for moment, run in timed if run.value(key) is not None]
        if len(told) >= 2:
            svg = drawn(f"night-{key}", f"{label} of {len(told)} runs against time.", _draw(told, key, label, level))
            caption = element("figcaption", _CAPTIONS[key])
            found.append(element("figure", element("h3", title), svg, caption))
    return found


def _draw(told: Sequence[tuple[datetime, LoggedRun]], key: str, label: str, level: float | None) -> Any:
    names = sorted({run.telescope or "telescope not known" for _, run in told})
    start = min(moment for moment, _ in told).replace(minute=0, second=0, microsecond=0)
    last = max((moment - start).total_seconds() / 3600.0 for moment, _ in told)
    # Over several nights a night is narrow: telescopes stand beside each other.
    apart = _APART * last if last > _ONE_NIGHT_H else 0.0

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        for number, name in enumerate(names):
            mine = [(moment, run) for moment, run in told if (run.telescope or "telescope not known") == name]
            beside = apart * (number - 0.5 * (len(names) - 1))
            hours = [(moment - start).total_seconds() / 3600.0 + beside for moment, _ in mine]
            found = [run.measured[key] for _, run in mine]
            axes.errorbar(
                hours, [entry.value for entry in found], [entry.error or 0.0 for entry in found], linestyle="none",
                color=_COLOURS[number % len(_COLOURS)], marker=_SHAPES[number % len(_SHAPES)], markersize=6, label=name,
            )  # fmt: skip
        if level is not None:
            axes.axhline(level, color=INK, linewidth=1.0, linestyle="--")
        _write_hours(axes, start, last)
        low, high = axes.get_ylim()
        axes.set(ylabel=label, ylim=(min(low, 0.95 * (level or low)), high + 0.22 * (high - low)))
        axes.legend(loc="upper left", ncols=min(len(names), 3), borderaxespad=0.1)

    return draw


def _write_hours(axes: Any, start: datetime, last: float) -> None:
    """Write hours of the clock within a night, dates over several."""
    if last <= _ONE_NIGHT_H:
        every = 1 if last <= 8 else 3
        ticks = list(range(0, int(last) + 2, every))
        axes.set_xticks(ticks, [f"{(start.hour + tick) % 24:02d}" for tick in ticks])
        axes.set(xlabel="hour, UTC", xlim=(-0.2, last + 0.4))
        return
    from datetime import timedelta

    every = max(24, 24 * round(last / 24 / 4))
    ticks = list(range(0, int(last) + 24, every))
    axes.set_xticks(ticks, [f"{start + timedelta(hours=tick):%m-%d}" for tick in ticks])
    axes.set(xlabel="date, UTC", xlim=(-0.04 * last, 1.04 * last))
