"""`stillair compare`: what differs, what does not, and pictures at one scale."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from stacker.logbook import Logbook, LoggedRun

MakeRun = Callable[..., LoggedRun]
Command = Callable[..., Any]


def _pictured(run: LoggedRun, folder: Path, radius: int) -> LoggedRun:
    """Return the run with a folder that holds a picture of a disc."""
    folder.mkdir(parents=True)
    picture = np.zeros((120, 160), np.uint16)
    cv2.circle(picture, (80, 60), radius, 50000, -1)
    cv2.imwrite(str(folder / "finished.png"), picture)
    return replace(run, folder=folder)


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make_run: MakeRun) -> Path:
    """Return a logbook in which the great mirror is twice as fine as the ten inch, on six nights each."""
    path = tmp_path / "book.sqlite"
    monkeypatch.setenv("STILLAIR_LOGBOOK", str(path))
    runs = []
    for night in range(6):
        for name, aperture, factor in (("ten inch", 254.0, 1.0), ("great mirror", 508.0, 0.5)):
            numbers = {
                "resolution_arcsec": (0.5 * factor * (1 + 0.02 * night), 0.015 * factor),
                "resolution_over_diffraction": (1.12 * (1 + 0.02 * night), 0.034),
                "scale_arcsec_per_px": (0.3 * factor,),
            }
            run = make_run(night, telescope=name, aperture_mm=aperture, night=f"2031-04-0{1 + night}", measured=numbers)
            runs.append(_pictured(run, tmp_path / name / str(night), round(15 / factor)))
    with Logbook(path) as opened:
        opened.record(runs)
    return path


def test_telescopes_are_compared_by_default(book: Path, stillair: Command) -> None:
    """The larger is finer; against its own limit there is no difference: both are told, with ratio and error."""
    told = stillair("compare")
    assert told.status == 0
    assert "resolution: great mirror is better, smaller than ten inch (ratio 0.5" in told.out
    assert "resolution over the own diffraction limit: no difference between great mirror and ten inch" in told.out
    record = json.loads(stillair("compare", "--by", "telescope", "--json").out)
    assert [group["label"] for group in record["groups"]] == ["great mirror", "ten inch"]
    figures = {row["figure"]: row for row in record["figures"]}
    assert figures["resolution_arcsec"]["order"] == ["great mirror", "ten inch"]
    assert figures["resolution_arcsec"]["differences"][0]["verdict"] == "better"
    assert len(record["runs"]) == 12 and record["runs"][0]["over_expected"] is None


def test_pictures_at_one_scale_side_by_side_and_blinking(book: Path, stillair: Command, tmp_path: Path) -> None:
    """Twice as many pixels at half the scale: the discs are of one size; the animation has a frame a telescope."""
    done = stillair("compare", "--out", tmp_path / "out")
    assert done.status == 0
    assert sorted(entry.name for entry in (tmp_path / "out").iterdir()) == [
        "blinking.png",
        "comparison.json",
        "report.html",
        "side_by_side.png",
    ]
    assert json.loads((tmp_path / "out" / "comparison.json").read_text())["by"] == "telescope"
    with Image.open(tmp_path / "out" / "blinking.png") as moving:
        assert moving.n_frames == 2 and moving.info["loop"] == 0
        width, height = moving.size
    picture = cv2.imread(str(tmp_path / "out" / "side_by_side.png"), cv2.IMREAD_GRAYSCALE)
    assert picture is not None and picture.shape[0] == height and 2 * width < picture.shape[1] < 2 * width + 20
    bright = [(half > 150)[: height // 2].sum() for half in (picture[:, :width], picture[:, -width:])]
    assert abs(bright[0] / bright[1] - 1) < 0.06


def test_runs_that_are_named(book: Path, stillair: Command, tmp_path: Path) -> None:
    """By id or folder; two of them by default run against run."""
    with Logbook(book) as opened:
        one, other = opened.select()[:2]
    told = stillair("compare", one.id[:8], other.folder)
    assert told.status == 0 and "2 runs compared by run" in told.out


def test_what_cannot_be_told_is_a_line_a_pair(book: Path, stillair: Command, make_run: MakeRun) -> None:
    """Not a line a figure: most of them lack the same."""
    with Logbook(book) as opened:
        numbers = {"resolution_arcsec": (2.0, 0.05), "resolution_over_diffraction": (1.2, 0.03)}
        opened.record([make_run(9, telescope="spyglass", target="Velorne", measured=numbers)])
    lines = stillair("compare", "--by", "telescope").out.splitlines()
    told = lines[lines.index("cannot be told:") + 1 :]
    figures = "resolution, resolution over the own diffraction limit"
    assert told[0] == f"  great mirror against spyglass, as they share no target, filter and night: {figures}"


def test_what_can_be_compared_is_named_once(book: Path, stillair: Command) -> None:
    """The target is a circumstance and a setting; what was recorded is meant."""
    known = stillair("compare", "--by", "weather").err.strip().partition("known are ")[2].split(", ")
    assert "target" in known and len(known) == len(set(known))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--by", "weather"], "cannot be compared by 'weather'"),
        (["--target", "nothing"], "no run fits; name more runs"),
        (["nowhere"], "no run on record is named nowhere"),
        (["--by", "site"], "all of Old Beacon"),
    ],
)
def test_what_cannot_be_compared_is_one_line(book: Path, stillair: Command, words: list[str], told: str) -> None:
    done = stillair("compare", *words)
    assert done.status == 2 and told in done.err and len(done.err.splitlines()) == 1


def test_where_no_picture_is_there_the_table_still_is(
    book: Path, make_run: MakeRun, stillair: Command, tmp_path: Path
) -> None:
    other = tmp_path / "other.sqlite"
    with Logbook(other) as opened:
        opened.record([make_run(n, measured={"snr": (9.0 + n, 0.5)}) for n in (1, 2)])
    done = stillair("compare", "--by", "run", "--logbook", other, "--out", tmp_path / "out")
    assert done.status == 0 and "fewer than two pictures" in done.err
    blocked = tmp_path / "file"
    blocked.write_text("")
    failed = stillair("compare", "--by", "run", "--logbook", other, "--out", blocked / "out")
    assert failed.status == 1 and len(failed.err.splitlines()) == 1
