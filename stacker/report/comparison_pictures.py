"""The pictures of a comparison: side by side, and blinking."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.logbook.logged_run import LoggedRun
from stacker.report.common_view import CommonViews, Picture, View, common_views
from stacker.report.labels import Label, draw_labels
from stacker.report.pictures import as_bytes
from stacker.report.reading import read_picture
from stacker.whole_file import written_whole

_GAP_PX = 12
_IN_A_ROW = 3
BLINK_MS = 900


def views_of(runs: Sequence[LoggedRun]) -> tuple[list[LoggedRun], CommonViews] | None:
    """Return the runs whose finished picture is there and their common views; None for fewer than two."""
    found = [(run, view) for run in runs if (view := _view(run)) is not None]
    if len(found) < 2:
        return None
    return [run for run, _ in found], common_views([view for _, view in found])


def panels(labels: Sequence[str], runs: Sequence[LoggedRun], common: CommonViews) -> list[Picture]:
    """Return each picture with its label below it, all of one size and in the same number of colours."""
    colour = any(picture.ndim == 3 for picture in common.pictures)
    drawn = [
        np.asarray(draw_labels(_in_colours(picture, colour), _label(label, run, common)), np.uint8)
        for label, run, picture in zip(labels, runs, common.pictures, strict=True)
    ]
    height, width = (max(panel.shape[axis] for panel in drawn) for axis in (0, 1))
    return [_padded(panel, height, width) for panel in drawn]


def side_by_side(drawn: Sequence[Picture]) -> Picture:
    """Return panels of one size in rows of three at most, with a gap between them."""
    height, width = drawn[0].shape[:2]
    columns = min(len(drawn), _IN_A_ROW)
    rows = -(-len(drawn) // columns)
    shape = (rows * (height + _GAP_PX) - _GAP_PX, columns * (width + _GAP_PX) - _GAP_PX, *drawn[0].shape[2:])
    canvas = np.full(shape, 64, np.uint8)
    for index, panel in enumerate(drawn):
        top, left = (index // columns) * (height + _GAP_PX), (index % columns) * (width + _GAP_PX)
        canvas[top : top + height, left : left + width] = panel
    return canvas


def write_side_by_side(path: Path, drawn: Sequence[Picture]) -> None:
    """Write the panels side by side as PNG, whole or not at all. Raises OSError where the disk refuses."""
    picture = side_by_side(drawn)
    pixels = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR) if picture.ndim == 3 else picture
    done, encoded = cv2.imencode(".png", pixels)
    if not done:
        raise OSError(f"a picture of {picture.shape} cannot be stored as PNG")
    _write_whole(path, encoded.tobytes())


def write_blinking(path: Path, drawn: Sequence[Picture]) -> None:
    """Write the panels one after the other, for ever: an animated PNG or, by its ending, GIF; whole or not at all.

    Raises OSError where the disk refuses.
    """
    import imageio.v3 as imageio

    kind = ".gif" if path.suffix.lower() == ".gif" else ".png"
    frames = np.stack(drawn)
    encoded: Any = imageio.imwrite("<bytes>", frames, extension=kind, plugin="pillow", duration=BLINK_MS, loop=0)
    _write_whole(path, bytes(encoded))


def _view(run: LoggedRun) -> View | None:
    picture = read_picture(run.folder / "finished.png")
    if picture is None:
        return None
    return View(
        as_bytes(picture),
        run.kind == "disc",
        run.value("scale_arcsec_per_px"),
        run.value("disc_radius_px"),
        run.value("north_angle_deg"),
        bool(run.said("camera", "mirrored")),
    )


def _label(label: str, run: LoggedRun, common: CommonViews) -> Label:
    start = run.start_utc
    when = None if start is None else datetime.fromisoformat(start).astimezone(UTC)
    return Label(
        target=f"{label}: {run.target or run.capture}",
        when_utc=when,
        altitude_deg=run.altitude_deg,
        telescope=None if run.telescope == label else run.telescope,
        seeing_arcsec=run.value("seeing_arcsec"),
        resolution_arcsec=run.value("resolution_arcsec"),
        scale_arcsec_per_px=common.scale_arcsec_per_px,
        north_angle_deg=0.0 if common.north_up else None,
    )


def _in_colours(picture: Picture, colour: bool) -> Picture:
    return np.repeat(picture[..., None], 3, 2) if colour and picture.ndim == 2 else picture


def _padded(panel: Picture, height: int, width: int) -> Picture:
    missing: list[tuple[int, int]] = [(0, height - panel.shape[0]), (0, width - panel.shape[1])]
    padding: NDArray[np.uint8] = np.pad(panel, missing + [(0, 0)] * (panel.ndim - 2), constant_values=16)
    return padding


def _write_whole(path: Path, data: bytes) -> None:
    with written_whole(path) as temporary:
        temporary.write_bytes(data)
