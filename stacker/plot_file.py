"""A plot of matplotlib as a file: whole or not at all, the same plot the same bytes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from stacker.settings import SettingsError
from stacker.whole_file import written_whole

ENDINGS = (".png", ".svg")
MISSING = "plots need matplotlib, which is not installed; run 'python -m pip install \"stillair[plot]\"'"


def check_plot_path(path: Path) -> None:
    """Raise SettingsError where a plot cannot be made: an unknown ending, or matplotlib is missing."""
    if path.suffix.lower() not in ENDINGS:
        raise SettingsError(f"{path}: a plot ends in .png or .svg; give such a name")
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        raise SettingsError(f"{path}: {MISSING}") from None


def write_plot(path: Path, size_inch: tuple[float, float], draw: Callable[[Any], None]) -> None:
    """Let `draw` fill a figure of `size_inch` (width, height) and write it as PNG or SVG by the path's ending.

    Raises SettingsError as `check_plot_path`, OSError where the disk refuses.
    """
    check_plot_path(path)
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    kind = path.suffix.lower()[1:]
    with matplotlib.rc_context({"svg.hashsalt": "stillair", "font.size": 11.0}):
        figure = Figure(figsize=size_inch, layout="constrained")
        FigureCanvasAgg(figure)
        draw(figure)
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        with written_whole(path) as temporary:
            figure.savefig(temporary, format=kind, dpi=110, metadata=metadata)
