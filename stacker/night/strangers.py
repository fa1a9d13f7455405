"""Captures that do not show what they say: their target looks unlike that of the others of its name."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from stacker.night.found import Found

_FEWEST = 3
"""Captures of one name that are compared; two cannot tell which is wrong."""
_TOLERANCE = 0.25
"""A disc so much wider or smaller than the others is another one; seeing and threshold make some 5 %."""


@dataclass(frozen=True)
class Shown:
    """What a finished run shows."""

    found: Found
    kind: str
    """`disc` or `surface`."""
    width_arcsec: float | None
    """Width of a circle of the disc's bright area; None for a surface, and where the scale is not known."""
    usual_arcsec: float
    """Width that the ephemeris tells, 1 for what it does not know."""


def shown_in(found: Found, folder: Path, metrics: Mapping[str, Any]) -> Shown:
    """Return what a run shows, from its picture and its metrics."""
    scale, kind = metrics.get("scale_arcsec_per_px"), str(metrics.get("target"))
    width_px = _bright_width_px(folder / "finished.png") if kind == "disc" and scale else None
    return Shown(found, kind, None if width_px is None else width_px * float(scale or 0), _ephemeris_arcsec(found))


def strangers(shown: Sequence[Shown]) -> dict[Path, str]:
    """Return the captures that look unlike the others of their target, each with one sentence."""
    named: dict[str, list[Shown]] = defaultdict(list)
    for entry in shown:
        target = entry.found.circumstances.target
        if target:
            named[target.casefold()].append(entry)
    told: dict[Path, str] = {}
    for entries in named.values():
        if len(entries) >= _FEWEST:
            told |= _odd_kinds(entries) or _odd_widths(entries)
    return told


def _odd_kinds(entries: list[Shown]) -> dict[Path, str]:
    counts = Counter(entry.kind for entry in entries)
    usual, many = counts.most_common(1)[0]
    if 2 * many <= len(entries):
        return {}
    target = entries[0].found.circumstances.target
    return {
        entry.found.path: f"shows a {entry.kind}, {many} other captures of {target} show a {usual}: another target?"
        for entry in entries
        if entry.kind != usual
    }


def _odd_widths(entries: list[Shown]) -> dict[Path, str]:
    ratios = {entry.found.path: entry.width_arcsec / entry.usual_arcsec for entry in entries if entry.width_arcsec}
    if len(ratios) < _FEWEST:
        return {}
    usual = median(ratios.values())
    target = entries[0].found.circumstances.target
    return {
        entry.found.path: f"its disc is {entry.width_arcsec:.1f} arcsec wide, "
        f"that of {target} in the other captures {usual * entry.usual_arcsec:.1f}: another target?"
        for entry in entries
        if entry.width_arcsec and abs(ratios[entry.found.path] / usual - 1) > _TOLERANCE
    }


def _bright_width_px(picture: Path) -> float | None:
    """Return the width of the circle whose area is that of the bright part (threshold of Otsu 1979)."""
    import cv2
    import numpy as np

    pixels = cv2.imdecode(np.fromfile(picture, np.uint8), cv2.IMREAD_GRAYSCALE) if picture.is_file() else None
    if pixels is None:
        return None
    _, bright = cv2.threshold(pixels, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return float(2 * np.sqrt(bright.sum() / np.pi))


def _ephemeris_arcsec(found: Found) -> float:
    from stacker.sky.ephemeris import look_at

    target = found.circumstances.target
    if target is None or found.start_utc is None:
        return 1.0
    try:
        return float(look_at(target, found.start_utc).diameter_arcsec)
    except ValueError:
        return 1.0
