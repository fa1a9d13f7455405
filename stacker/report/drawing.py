"""Plots as SVG inside a page: in the page's colours, light or dark, with text as text, the same bytes every time."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stacker.report.markup import Markup, element
from stacker.settings import SettingsError

INK, MUTED, LINE, ACCENT, SECOND, THIRD, PAPER, VEIL = (f"#00000{number}" for number in range(1, 9))
"""Stand for the page's colours of these names while matplotlib draws; no picture uses them otherwise."""
_NAMES = ("ink", "muted", "line", "accent", "second", "third", "raised", "veil")
_SIZE_IN = (4.7, 3.2)
_FONT_PX = 12.5
_STYLE: Any = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": _FONT_PX * 0.72,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.labelpad": 6.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": LINE,
    "grid.linewidth": 0.7,
    "legend.frameon": False,
    "legend.fontsize": _FONT_PX * 0.68,
    "legend.handlelength": 1.5,
    "axes.grid": True,
    "axes.axisbelow": True,
    "path.simplify": False,
}

Draw = Callable[[Any], None]


def check_plots() -> None:
    """Raise SettingsError, one line, where matplotlib is missing."""
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        raise SettingsError(
            "a report draws with matplotlib, which is not installed; run 'python -m pip install \"stillair[report]\"'"
        ) from None


def drawn(name: str, words: str, draw: Draw, size_in: tuple[float, float] = _SIZE_IN) -> Markup:
    """Return what `draw` does to a matplotlib figure as inline SVG; `words` are its alternative text.

    `name` must differ from plot to plot of a page. Raises SettingsError where matplotlib is missing.
    """
    check_plots()
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    style: Any = {**_STYLE, "svg.hashsalt": name}
    with matplotlib.rc_context(style):
        figure = Figure(figsize=size_in, layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure)
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None})
    return _inline(text.getvalue(), words)


def dots(axes: Any, x: ArrayLike, y: ArrayLike, colour: str, size: float, label: str | None = None) -> None:
    """Mark points, many of them: one path of round caps instead of an element a point."""
    x, y = np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))
    there = np.isfinite(x) & np.isfinite(y)
    gap = np.full(there.sum(), np.nan)
    path = [np.stack([v[there], v[there], gap], 1).ravel() for v in (x, y)]
    axes.plot(*path, color=colour, linewidth=size, solid_capstyle="round", label="_nolegend_")
    if label:
        axes.plot([], [], "o", color=colour, markersize=4.0, markeredgewidth=0, label=label)


def running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Return the median over `width` neighbours, nan left out; nan where none is a number."""
    half = width // 2
    padded = np.pad(values, half, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    some = np.isfinite(windows).any(axis=1)
    middle = np.full(len(values), np.nan)
    middle[some] = np.nanmedian(windows[some], axis=1)
    return middle


def _inline(svg: str, words: str) -> Markup:
    found = re.search(r"<svg[^>]*viewBox=\"([^\"]*)\"[^>]*>(.*)</svg>", svg, re.DOTALL)
    assert found is not None
    box, inside = found.groups()
    inside = re.sub(r"<metadata>.*?</metadata>|<style[^>]*>.*?</style>|<!--.*?-->", "", inside, flags=re.DOTALL)
    inside = re.sub(r'<g id="[^"]*"', "<g", inside).replace("xlink:href", "href")
    inside = re.sub(r"-?\d+\.\d{3,}", lambda number: f"{float(number[0]):.2f}".rstrip("0").rstrip("."), inside)
    inside = re.sub(r"font-family: [^;]*; | transform=\"rotate\(-?0 [^)]*\)\"", "", inside)
    for number, name in enumerate(_NAMES, 1):
        inside = inside.replace(f"#00000{number}", f"var(--{name})")
    inside = re.sub(r">\s+<", "><", inside.strip())
    return element("svg", Markup(inside), viewBox=box, role="img", aria_label=words)
