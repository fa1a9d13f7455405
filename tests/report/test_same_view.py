"""Pictures of one target come to one scale, one orientation and one place, whatever the telescope did to them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.logbook import LoggedRun, Measured
from stacker.report.same_view import SameView, same_view

Real = NDArray[np.float64]


def _sky(east: Real, north: Real) -> Real:
    """A disc of 9 arcsec radius with a spot in the north-east: brightness 0 to 1."""
    disc = 1.0 / (1.0 + np.exp((np.hypot(east, north) - 9.0) / 0.4))
    spot = np.exp(-((east - 4.0) ** 2 + (north - 3.0) ** 2) / 4.0)
    return np.asarray(disc * (0.8 - 0.6 * spot))


def recorded(
    folder: Path,
    scale: float | None,
    north_deg: float | None,
    mirrored: bool = False,
    *,
    side: int = 160,
    kind: str = "disc",
) -> LoggedRun:
    """A run whose picture shows `_sky`: north is `north_deg` counter-clockwise from up, east a quarter turn on from it.

    On the sky as the eye sees it east lies counter-clockwise of north; a mirrored picture has it clockwise.
    """
    folder.mkdir(parents=True)
    rows, columns = np.mgrid[:side, :side] - 0.47 * side
    a = np.deg2rad(north_deg or 0.0)
    step = scale or 0.2
    north = step * (-np.sin(a) * columns - np.cos(a) * rows)
    east = step * (-np.cos(a) * columns + np.sin(a) * rows) * (-1 if mirrored else 1)
    cv2.imwrite(str(folder / "finished.png"), np.rint(60000 * _sky(east, north)).astype(np.uint16))
    measured = {"resolution_arcsec": Measured(0.5, 0.01)}
    if scale is not None:
        measured["scale_arcsec_per_px"] = Measured(scale)
    if north_deg is not None:
        measured["north_angle_deg"] = Measured(north_deg)
    tables = {"capture": {"target": "Ambrel"}, "camera": {"mirrored": mirrored}, "telescope": {"name": folder.name}}
    return LoggedRun(
        folder.name, folder, "", f"{folder.name}.avi", None, None, kind, None, None, None, tables, measured=measured
    )


def _agreement(view: SameView) -> float:
    one, other = (picture.astype(float) for picture in view.pictures)
    return float(np.abs(one - other).mean() / one.mean())


@pytest.mark.parametrize(
    ("north_deg", "mirrored"), [(0.0, False), (90.0, False), (30.0, True), (217.0, False), (180.0, True)]
)
def test_another_telescope_shows_the_same_view(tmp_path: Path, north_deg: float, mirrored: bool) -> None:
    """Half the scale, turned, mirrored: after it the pictures differ by less than resampling costs (3 %)."""
    runs = [recorded(tmp_path / "a", 0.15, 0.0), recorded(tmp_path / "b", 0.3, north_deg, mirrored, side=110)]
    view = same_view(runs)
    assert view is not None
    assert view.north_up
    assert view.scale_arcsec_per_px is not None
    assert view.pictures[0].shape == view.pictures[1].shape
    assert _agreement(view) < 0.03


def test_north_is_up_and_east_is_left(tmp_path: Path) -> None:
    view = same_view([recorded(tmp_path / "a", 0.15, 130.0)])
    assert view is not None
    assert view.scale_arcsec_per_px is not None
    size = len(view.pictures[0])
    rows, columns = np.mgrid[:size, :size] - (size - 1) / 2
    wanted = 255 * 60000 / 65535 * _sky(-view.scale_arcsec_per_px * columns, -view.scale_arcsec_per_px * rows)
    assert np.abs(view.pictures[0] - wanted).mean() / wanted.mean() < 0.03


def test_where_north_is_not_known_of_all_nothing_is_turned(tmp_path: Path) -> None:
    view = same_view([recorded(tmp_path / "a", 0.2, 0.0), recorded(tmp_path / "b", 0.2, None)])
    assert view is not None
    assert not view.north_up
    assert _agreement(view) < 0.01


def test_without_scales_pictures_come_to_one_width(tmp_path: Path) -> None:
    view = same_view([recorded(tmp_path / "a", None, None), recorded(tmp_path / "b", None, None, side=160)])
    assert view is not None
    assert view.scale_arcsec_per_px is None
    assert _agreement(view) < 0.01


def test_runs_without_pictures_are_left_out(tmp_path: Path) -> None:
    gone = recorded(tmp_path / "gone", 0.2, None)
    (gone.folder / "finished.png").unlink()
    view = same_view([gone, recorded(tmp_path / "a", 0.2, None)])
    assert view is not None
    assert [run.id for run in view.runs] == ["a"]
    assert same_view([gone]) is None


def test_surfaces_are_laid_on_what_they_share(tmp_path: Path) -> None:
    """The same ground, 9 px to the side: back in place to a quarter of a pixel."""
    random = np.random.default_rng(5)
    ground = cv2.GaussianBlur(random.normal(size=(200, 200)), (0, 0), 3.0)
    ground = np.clip(30000 + 8000 * ground / ground.std(), 0, 65535).astype(np.uint16)
    runs = []
    for name, left in (("a", 0), ("b", 9)):
        run = recorded(tmp_path / name, 0.2, None, kind="surface")
        cv2.imwrite(str(run.folder / "finished.png"), ground[:160, left : left + 160])
        runs.append(run)
    view = same_view(runs)
    assert view is not None
    one, other = (picture[60:-60, 60:-60].astype(np.float32) for picture in view.pictures)
    moved, _ = cv2.phaseCorrelate(one, other, cv2.createHanningWindow((one.shape[1], one.shape[0]), cv2.CV_32F))
    assert np.hypot(*moved) < 0.5  # the view has 2 px for one of the picture
