"""The page of a night: every run below a folder, links that hold, failures told."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from stacker.capture import CaptureError
from stacker.report.night_page import write_night_page
from stacker.simulation import Air, Scenario, write_simulation

SMALL = Scenario(frames=24, height_px=80, width_px=80, air=Air(psf_grid=2))


@pytest.fixture
def night(planet_run: Path, sun_run: Path, tmp_path: Path) -> Path:
    """Two runs in folders of different depth, one broken run, and files that are no runs."""
    folder = tmp_path / "nuit d'été"
    shutil.copytree(planet_run, folder / "Ambrel & co" / planet_run.name)
    shutil.copytree(sun_run, folder / "sun")
    shutil.copytree(sun_run, folder / ".sun.part123")
    (folder / "broken").mkdir()
    (folder / "broken" / "metrics.json").write_text("{")
    (folder / "notes.txt").write_text("cloudy")
    return folder


def test_every_run_is_there_and_every_link_leads_to_a_file(night: Path) -> None:
    text = write_night_page(night, [("cloud.avi", "cloud.avi: is <empty>; record it again")]).read_text(
        encoding="utf-8"
    )
    links = [unquote(address) for address in re.findall(r'<a href="([^"]*)"', text)]
    assert len(set(links)) == 2
    assert all((night / link).is_file() for link in links)
    assert "2 captures became pictures, 2 could not be used." in text
    assert "cloud.avi: is &lt;empty&gt;; record it again" in text
    assert "DANGER, THE SUN" in text
    assert "<script>document" not in text


def test_the_same_night_gives_the_same_bytes(night: Path) -> None:
    assert write_night_page(night).read_bytes() == write_night_page(night).read_bytes()


def test_doubts_stand_with_their_run(night: Path) -> None:
    text = write_night_page(night, doubts={night / "sun": "looks unlike the others"}).read_text(encoding="utf-8")
    assert "looks unlike the others" in text


def test_one_call_makes_the_pages_of_a_night_and_of_its_runs(night: Path, stillair: Callable[..., Any]) -> None:
    outcome = stillair("report", night, "--json")
    pages = [Path(json.loads(line)["page"]) for line in outcome.out.splitlines()]
    assert outcome.status == 0
    assert [page.parent.name for page in pages][-1] == night.name
    assert len(pages) == 3
    assert all(page.is_file() for page in pages)
    assert all(page.is_relative_to(night) for page in pages)
    links = re.findall(r'<a href="([^"]*)"', pages[-1].read_text(encoding="utf-8"))
    assert all(unquote(link).endswith("report.html") for link in links)


def test_a_folder_without_runs_is_one_line(tmp_path: Path, stillair: Callable[..., Any]) -> None:
    with pytest.raises(CaptureError):
        write_night_page(tmp_path)
    outcome = stillair("report", tmp_path)
    assert outcome.status == 1
    assert outcome.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
    outcome = stillair("report", "no_such_folder")
    assert outcome.status == 1 and outcome.err.startswith("no_such_folder: is no run folder")


def test_a_capture_is_processed_and_reported_in_one_call(tmp_path: Path, stillair: Callable[..., Any]) -> None:
    capture, *_ = write_simulation(tmp_path / "captures" / "planet.avi", SMALL, 1, "avi")
    outcome = stillair("process", capture, "--out", tmp_path / "runs", "--report", "--logbook", tmp_path / "log.sqlite")
    assert outcome.status == 0, outcome.err
    page = tmp_path / "runs" / "planet" / "report.html"
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert "report.html" not in outcome.out
    again = stillair("process", capture, "--out", tmp_path / "runs", "--logbook", tmp_path / "log.sqlite")
    assert again.status == 0
    assert not page.exists()  # it told of another run


def test_a_night_is_processed_and_reported_in_one_call(tmp_path: Path, stillair: Callable[..., Any]) -> None:
    write_simulation(tmp_path / "captures" / "planet.avi", SMALL, 1, "avi")
    (tmp_path / "captures" / "empty.avi").write_bytes(b"")
    outcome = stillair(
        "night", tmp_path / "captures", "--out", tmp_path / "runs", "--report", "--workers", 1, "--quiet-s", 0,
        "--logbook", tmp_path / "log.sqlite",
    )  # fmt: skip
    text = (tmp_path / "runs" / "report.html").read_text(encoding="utf-8")
    assert outcome.status == 1
    assert "1 captures" not in text
    assert "1 capture became a picture, 1 could not be used." in text
    assert "empty.avi" in text
    assert (tmp_path / "runs" / "planet" / "report.html").is_file()
