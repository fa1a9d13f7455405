"""Groups, run folders, shares of work, and captures that do not show what they say."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from stacker.capture import Circumstances, Site, Telescope
from stacker.night.budget import fits, memory_mb, threads_for
from stacker.night.cautions import cautions_of
from stacker.night.found import Found
from stacker.night.groups import group_captures
from stacker.night.plan import run_folders
from stacker.night.strangers import Shown, shown_in, strangers
from stacker.sky.caution import FILTER_CAUTION

EVENING = datetime(2031, 4, 5, 21, 30, tzinfo=UTC)


def capture(
    name: str, minutes: float | None = 0, *, target: str = "Ambrel", telescope: str = "Heron", **said: object
) -> Found:
    start = None if minutes is None else EVENING + timedelta(minutes=minutes)
    known = Circumstances(target=target, telescope=Telescope(telescope), **said)  # type: ignore[arg-type]
    return Found(Path(name), "", 100, 96, 96, 1, start, 60.0, (), known)


def test_groups_are_of_one_target_telescope_filter_and_sitting() -> None:
    found = [
        capture("late.avi", 200),
        capture("b.avi", 10),
        capture("a.avi", 0, target="ambrel"),
        capture("red.avi", 5, filter="red"),
        capture("plover.avi", 6, telescope="Plover"),
        capture("moon.avi", 7, target="Ondrel"),
        capture("next.avi", 24 * 60),
    ]
    groups = group_captures(found)
    assert [[member.path.stem for member in group.members] for group in groups] == [
        ["a", "b"],
        ["red"],
        ["plover"],
        ["moon"],
        ["late"],
        ["next"],
    ]
    assert groups[0].evening == date(2031, 4, 5)
    assert groups[0].ends_utc == EVENING + timedelta(minutes=11)


def test_a_night_runs_from_noon_to_noon_of_the_site() -> None:
    """At longitude 150 east, 14:00 UTC is midnight: captures around it are of one night (mean solar time, 15 deg/h)."""
    site = Site(longitude_deg=150.0, latitude_deg=-33.0)
    pair = [
        replace(capture("a.avi", shift), circumstances=replace(capture("x").circumstances, site=site))
        for shift in (-470, -430)
    ]
    (group,) = group_captures(pair)
    assert group.evening == date(2031, 4, 5)


def test_captures_of_unknown_time_are_grouped_by_folder() -> None:
    found = [capture(name, None) for name in ("one/a.avi", "two/a.avi", "one/b.avi")]
    groups = group_captures(found)
    assert sorted(len(group.members) for group in groups) == [1, 2]
    assert all(group.evening is None and group.begins_utc is None for group in groups)


def test_every_capture_has_a_run_folder_of_its_own(tmp_path: Path) -> None:
    """Also on file systems that do not tell capitals apart, and where a folder is named as the capture beside it."""
    (tmp_path / "frames").mkdir()
    captures = [tmp_path / name for name in ("a.avi", "A.fits", "b.avi", "b/c.avi", "frames", "d.e.avi")]
    out = Path("runs")
    places = run_folders(tmp_path, out, captures)
    assert [places[path].relative_to(out).as_posix() for path in captures] == [
        "a.avi",
        "A.fits",
        "b.avi",
        "b/c",
        "frames",
        "d.e",
    ]
    assert run_folders(tmp_path / "frames", out, [tmp_path / "frames"]) == {tmp_path / "frames": out / "frames"}


@pytest.mark.parametrize(
    ("work", "unfinished", "workers", "threads"),
    [(1, [1] * 40, 2, 1), (1, [1], 2, 2), (1, [1, 1], 4, 2), (8, [8, 1, 1], 4, 3), (1, [8, 1, 1], 4, 1), (1, [], 3, 3)],
)
def test_a_capture_gets_its_share_of_the_processors(
    work: float, unfinished: list[float], workers: int, threads: int
) -> None:
    assert threads_for(work, unfinished, workers) == threads


def test_memory_is_budgeted_but_one_capture_always_goes() -> None:
    large = replace(capture("a.avi"), height_px=1080, width_px=1920)
    need = memory_mb(large)
    assert need > memory_mb(capture("a.avi"))
    assert fits(need, [], 10.0)
    assert not fits(need, [need], 1.5 * need)
    assert fits(need, [need], 2.5 * need)
    assert fits(need, [need] * 9, None)


def test_the_sun_and_what_stands_near_it_carry_the_caution() -> None:
    """Mercury's greatest elongation is 28 degrees; on 2031-04-05 it is far inside that (ephemeris of the project)."""
    told = cautions_of([capture("a", target="sun"), capture("b", target="SUN"), capture("c", target="Jupiter")])
    assert told == (FILTER_CAUTION,)
    near = cautions_of([capture("m", minutes=60 * 24 * day, target="Mercury") for day in range(0, 40, 4)])
    assert len(near) == 1
    assert "MERCURY STANDS ONLY" in near[0]
    assert cautions_of([capture("a", None, target="Venus"), capture("b", target="Ambrel")]) == ()


def _shown(name: str, kind: str = "disc", width: float | None = 15.0, usual: float = 1.0) -> Shown:
    return Shown(capture(name), kind, width, usual)


def test_a_surface_among_discs_and_a_disc_of_another_size_are_doubtful() -> None:
    kinds = strangers([_shown("a"), _shown("b"), _shown("c", "surface", None), _shown("d")])
    assert list(kinds) == [Path("c")]
    assert "shows a surface" in kinds[Path("c")]
    widths = strangers([_shown("a"), _shown("b", width=15.6), _shown("c", width=9.0)])
    assert list(widths) == [Path("c")]
    assert strangers([_shown("a"), _shown("b", "surface", None)]) == {}


def test_a_planet_that_has_come_nearer_is_no_stranger() -> None:
    """Mars grows from 4 to 25 arcsec: what counts is the width over that of the ephemeris."""
    assert (
        strangers([_shown("a", width=8, usual=7.9), _shown("b", width=16, usual=15.7), _shown("c", width=20, usual=20)])
        == {}
    )


def test_the_width_of_a_disc_is_that_of_its_area(tmp_path: Path) -> None:
    """A drawn disc of radius 20.5 px at half an arcsecond a pixel is 20.5 arcsec wide."""
    rows, columns = np.mgrid[:64, :64]
    disc = (np.hypot(rows - 31, columns - 31) <= 20.5).astype(np.uint16) * 40000 + 900
    cv2.imwrite(str(tmp_path / "finished.png"), disc)
    shown = shown_in(capture("a"), tmp_path, {"target": "disc", "scale_arcsec_per_px": 0.5})
    assert shown.width_arcsec == pytest.approx(20.5, rel=0.02)
