"""How much a capture holds at each keep percentage: from the capture to the curve, every stage in order."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.alignment import align
from stacker.blas_threads import one_blas_thread
from stacker.calibration import calibrate
from stacker.capture import Capture, Circumstances, open_capture
from stacker.measuring.keep_curve import PERCENTS, KeepCurve, Sounding, curve_of, sound
from stacker.measuring.metrics import stack_cutoff
from stacker.measuring.spectra import WIDEST_PX, AnalysisWindow, analysis_window
from stacker.ranking import Ranking, rank
from stacker.ranking.selection import auto_percent, centred
from stacker.settings import Settings
from stacker.stacking import zoomed_mask
from stacker.stacking.portions import Box, Portion, stack_portions

Array = NDArray[np.float32]
Progress = Callable[[str, int, int], None]

SCHEMA_VERSION = 1
PICTURES = 6


@dataclass(frozen=True)
class KeepStudy:
    """The keep curve of one capture, and some of the stacks behind it."""

    capture: str
    target: str
    frames_usable: int
    auto_percent: float
    """What `--keep auto` takes."""
    curve: KeepCurve
    pictures: tuple[tuple[float, Array], ...]
    """At most six pairs of a keep percentage and its linear stack (h, w) in the box around the target."""
    mask: NDArray[np.bool_]
    """(h, w) True on the target."""

    @property
    def auto_is_as_good(self) -> bool | None:
        """Tell whether `--keep auto` holds as much as the best does, within the error; None where nothing is known."""
        good = self.curve.good_range_percent
        return None if good is None else good[0] <= self.auto_percent <= good[1]

    def record(self) -> dict[str, Any]:
        """Return plain values and lists, as in keep.json."""
        return {
            "schema_version": SCHEMA_VERSION,
            "capture": self.capture,
            "target": self.target,
            "frames_usable": self.frames_usable,
            "auto_percent": self.auto_percent,
            "auto_is_as_good": self.auto_is_as_good,
            **self.curve.record(),
        }


def keep_curve(
    path: Path | str,
    settings: Settings | None = None,
    circumstances: Circumstances | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    percents: Sequence[float] = PERCENTS,
) -> KeepStudy:
    """Measure what the best 2 to 100 percent of a capture's usable frames hold.

    All usable frames are aligned, each half to a reference of its own, and averaged in one pass with the weights that
    `process` gives them. `percents` rise; the other arguments are those of `process`. Raises CaptureError for a
    capture that cannot be used.
    """
    settings, workers = settings or Settings(), workers or os.cpu_count() or 1
    with calibrate(open_capture(path, circumstances)) as capture, one_blas_thread():
        ranking = centred(rank(capture, settings.ranking, workers, _stage(progress, "ranking")))
        alignment = align(capture, ranking, settings.alignment, 100.0, workers, _stage(progress, "aligning"))
        mask, kind = zoomed_mask(ranking.target.mask, settings.stacking.zoom), ranking.target.kind
        box, window = _looked_at(mask, kind)
        portions = stack_portions(
            capture,
            ranking,
            alignment,
            percents,
            box,
            workers,
            _stage(progress, "averaging"),
            settings.stacking,
        )
        return _study(capture, ranking, portions, mask[box], window, settings.stacking.zoom, _spread(percents))


def _study(
    capture: Capture,
    ranking: Ranking,
    portions: Iterable[Portion],
    mask: NDArray[np.bool_],
    window: AnalysisWindow | None,
    zoom: float,
    shown: set[float],
) -> KeepStudy:
    kind, cutoff = ranking.target.kind, stack_cutoff(capture.circumstances, zoom)
    soundings: list[Sounding] = []
    pictures: list[tuple[float, Array]] = []
    for portion in portions:
        if window is not None:
            halves = portion.half_a, portion.half_b
            soundings.append(
                sound(
                    portion.keep_percent, portion.frames, portion.effective_frames, halves, window, mask, kind, cutoff
                )
            )
        if portion.keep_percent in shown:
            pictures.append((portion.keep_percent, portion.image))
    curve = curve_of(soundings)
    if window is None:
        curve = replace(curve, note="the target is too small to be measured")
    return KeepStudy(capture.name, kind, int(ranking.usable.sum()), auto_percent(ranking), curve, tuple(pictures), mask)


def _looked_at(mask: NDArray[np.bool_], kind: str) -> tuple[Box, AnalysisWindow | None]:
    """Return the box of the stack that is averaged, and the window of the analysis inside it.

    A disc with its sky; of what is larger than the analysis looks at, the middle.
    """
    rows, columns = (np.flatnonzero(mask.any(axis)) for axis in (1, 0))
    sky = ceil(0.15 * float(np.sqrt(mask.sum()))) + 8 if kind == "disc" else 0
    box = [
        slice(max(int(hit[0]) - sky, 0), min(int(hit[-1]) + 1 + sky, size))
        for hit, size in zip((rows, columns), mask.shape, strict=True)
    ]
    try:
        window = analysis_window(mask, kind)
    except ValueError:
        return (box[0], box[1]), None
    if kind == "surface" or max(len(rows), len(columns)) > WIDEST_PX:
        box = [window.rows, window.columns]
    inside = [
        slice(side.start - outer.start, side.stop - outer.start)
        for side, outer in zip((window.rows, window.columns), box, strict=True)
    ]
    return (box[0], box[1]), replace(window, rows=inside[0], columns=inside[1])


def _spread(percents: Sequence[float]) -> set[float]:
    """Return six percentages from the first to the last, evenly in steps."""
    places = np.linspace(0, len(percents) - 1, min(PICTURES, len(percents))).round().astype(int)
    return {float(percents[place]) for place in places}


def _stage(progress: Progress | None, name: str) -> Callable[[int, int], None] | None:
    return None if progress is None else lambda done, total: progress(name, done, total)
