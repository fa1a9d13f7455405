"""Pictures of one target by different telescopes, brought to one scale on the sky, one orientation and one place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.logbook import LoggedRun
from stacker.report.pictures import Picture, as_bytes
from stacker.report.reading import read_picture

_LARGEST_PX, _SMALLEST_PX = 800, 320
_BLUR_OF_STEP = 0.4
"""Of the step by which a picture is reduced: what keeps its noise from folding into coarse grain."""
_SURE = 0.05


@dataclass(frozen=True)
class SameView:
    """Pictures that can be laid over each other."""

    runs: tuple[LoggedRun, ...]
    pictures: tuple[Picture, ...]
    """All (N, N) or (N, N, 3)."""
    scale_arcsec_per_px: float | None
    """None where not all scales are known: then frames are shown at one width."""
    north_up: bool
    """North up and east left; else every picture as its camera stood."""


def same_view(runs: Sequence[LoggedRun]) -> SameView | None:
    """Return the finished pictures of runs in one view; runs without a picture are left out, None where none is left.

    The view is as wide as the smallest field. Discs are laid on each other by the middle of their light, surfaces by
    what they share.
    """
    found = [(run, picture) for run in runs if (picture := read_picture(run.folder / "finished.png")) is not None]
    if not found:
        return None
    scales = [run.value("scale_arcsec_per_px") for run, _ in found]
    north = [run.value("north_angle_deg") for run, _ in found]
    known, up = None not in scales, None not in north
    sides = [min(picture.shape[:2]) for _, picture in found]
    steps = [scale if known and scale else 1.0 / side for scale, side in zip(scales, sides, strict=True)]
    field = min(step * side for step, side in zip(steps, sides, strict=True))
    size = int(np.clip(math.ceil(field / min(steps)), _SMALLEST_PX, _LARGEST_PX))
    views: list[Picture] = []
    for (run, picture), step, angle in zip(found, steps, north, strict=True):
        turn = _turn(angle, bool(run.said("camera", "mirrored"))) if up and angle is not None else np.eye(2)
        view = _view(as_bytes(picture), field / size / step * turn, _middle(picture, run.kind), size)
        views.append(view if run.kind == "disc" or not views else _laid_on(view, views[0]))
    return SameView(tuple(run for run, _ in found), tuple(views), field / size if known else None, up)


def _turn(north_deg: float, mirrored: bool) -> NDArray[np.float64]:
    """Return what turns (right, down) of a view with north up and east left into (right, down) of the picture."""
    cos, sin = math.cos(math.radians(north_deg)), math.sin(math.radians(north_deg))
    west = (-cos, sin) if mirrored else (cos, -sin)
    return np.array([[west[0], sin], [west[1], cos]])


def _middle(picture: NDArray[Any], kind: str | None) -> tuple[float, float]:
    """Return (column, row) of the middle of a disc's light, of a surface's field."""
    height, width = picture.shape[:2]
    if kind != "disc":
        return (width - 1) / 2, (height - 1) / 2
    light = picture.astype(np.float64).reshape(height, width, -1).mean(2)
    light = np.where(light > 0.25 * light.max(), 1.0, 0.0)
    rows, columns = np.mgrid[:height, :width]
    return float((columns * light).sum() / light.sum()), float((rows * light).sum() / light.sum())


def _view(picture: Picture, step: NDArray[np.float64], middle: tuple[float, float], size: int) -> Picture:
    reduction = math.sqrt(abs(float(np.linalg.det(step))))
    if reduction > 1.0:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), _BLUR_OF_STEP * reduction), np.uint8)
    centre = np.full(2, (size - 1) / 2)
    matrix = np.hstack([step, (np.array(middle) - step @ centre)[:, None]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(picture, matrix, (size, size), flags=flags), np.uint8)


def _laid_on(view: Picture, first: Picture) -> Picture:
    """Return a view moved onto the first one; as it is where they share too little to tell."""
    one, other = (_detail(picture) for picture in (first, view))
    window = cv2.createHanningWindow((one.shape[1], one.shape[0]), cv2.CV_32F)
    (right, down), trust = cv2.phaseCorrelate(one, other, window)
    if trust < _SURE or math.hypot(right, down) > 0.3 * len(one):
        return view
    matrix = np.array([[1.0, 0.0, right], [0.0, 1.0, down]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(view, matrix, (view.shape[1], view.shape[0]), flags=flags), np.uint8)


def _detail(picture: Picture) -> NDArray[np.float32]:
    grey = picture.astype(np.float32).reshape(*picture.shape[:2], -1).mean(2)
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), 2.0) - cv2.GaussianBlur(grey, (0, 0), 12.0), np.float32)
