"""The keep curve as a picture: what each share of the frames holds, and some of the stacks at the same stretch."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from stacker.keeping import KeepStudy
from stacker.sharpening.showing import tone_for_showing

_INFORMATION, _RESOLUTION, _NOISE = "#0072b2", "#8c6d00", "#009e73"
"""Told apart by the colour-blind as well (Okabe & Ito 2008, Color Universal Design), darkened for white paper."""
_DETAIL_PX = 160


def plot_keep(study: KeepStudy) -> bytes:
    """Return the plot of a study as PNG; the same study gives the same bytes.

    Raises ImportError where matplotlib is missing.
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with matplotlib.rc_context({"font.size": 10.0}):
        figure = Figure(figsize=(13.0, 7.0), layout="constrained")
        FigureCanvasAgg(figure)
        parts: Any = figure.subfigures(2, 1, height_ratios=(1.5, 1.0))
        _draw_curves(parts[0], study)
        _draw_pictures(parts[1], study)
        stream = io.BytesIO()
        figure.savefig(stream, format="png", dpi=110, metadata={"Software": None})
    return stream.getvalue()


def _draw_curves(figure: Any, study: KeepStudy) -> None:
    steps = study.curve.steps
    percents = [step.keep_percent for step in steps]
    information, resolution = figure.subplots(1, 2)
    noise = resolution.twinx()
    for axes, key, label, colour, marker in (
        (information, "information_bits", "information in bits", _INFORMATION, "o"),
        (resolution, "resolution_px", "resolution in px, smaller is finer", _RESOLUTION, "s"),
        (noise, "snr", "signal to noise of a pixel", _NOISE, "^"),
    ):
        values = [_number(getattr(step, key)) for step in steps]
        errors = [_number(getattr(step, f"{key}_error")) for step in steps]
        axes.errorbar(percents, values, errors, color=colour, marker=marker, markersize=4, linewidth=1.2, capsize=2)
        axes.set_ylabel(label, color=colour)
        axes.set_xscale("log")
        ticks = [tick for tick in (2, 5, 10, 20, 50, 100) if percents and percents[0] <= tick <= percents[-1]]
        axes.set_xticks(ticks, [str(tick) for tick in ticks])
        axes.minorticks_off()
        axes.set_xlabel("percent of the usable frames, sharpest first")
    good = study.curve.good_range_percent
    if good is not None:
        # A range of one step would not show.
        information.axvspan(0.98 * good[0], 1.02 * good[1], color=_INFORMATION, alpha=0.15, linewidth=0)
    information.set_title(_heading(study), fontsize=10)
    information.grid(alpha=0.3)
    resolution.grid(alpha=0.3)


def _heading(study: KeepStudy) -> str:
    curve = study.curve
    if curve.best_percent is None or curve.good_range_percent is None:
        return f"{study.capture}: {curve.note}"
    low, high = curve.good_range_percent
    return f"{study.capture}: best {curve.best_percent:g} %; {low:g} to {high:g} % are as good within the error"


def _draw_pictures(figure: Any, study: KeepStudy) -> None:
    if not study.pictures:
        return
    tone = tone_for_showing(study.pictures[-1][1], study.mask, study.target)
    # One row even where there is a single picture.
    axes = np.atleast_1d(figure.subplots(1, len(study.pictures)))
    box = _detail(study.mask)
    frames = {step.keep_percent: step.frames for step in study.curve.steps}
    for place, (percent, image) in zip(axes, study.pictures, strict=True):
        place.imshow(tone.apply(image)[box], cmap="gray", vmin=0, vmax=65535, interpolation="nearest")
        count = f", {frames[percent]} frames" if percent in frames else ""
        best = "best: " if percent == study.curve.best_percent else ""
        place.set_title(f"{best}{percent:g} %{count}", fontsize=9)
        place.set_axis_off()


def _detail(mask: Any) -> tuple[slice, slice]:
    """Return the middle of the target, small enough for its pixels to show."""
    sides = []
    for axis in (1, 0):
        hit = np.flatnonzero(mask.any(axis))
        middle, half = int(hit.mean()), min(_DETAIL_PX, mask.shape[1 - axis]) // 2
        start = int(np.clip(middle - half, 0, mask.shape[1 - axis] - 2 * half))
        sides.append(slice(start, start + 2 * half))
    return sides[0], sides[1]


def _number(value: float | None) -> float:
    return float("nan") if value is None else value
