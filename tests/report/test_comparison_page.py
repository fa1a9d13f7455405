"""The page of a comparison says what differs, what does not, and what cannot be told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from stacker.logbook import LoggedRun, Measured
from stacker.logbook.comparison import compare_runs
from stacker.report.comparison_page import write_comparison_page
from stacker.run_folder.place import OutputError


def recorded(folder: Path, telescope: str, aperture_mm: float, resolution: float, target: str = "Ambrel") -> LoggedRun:
    """A run with a picture and some numbers."""
    folder.mkdir(parents=True)
    picture = np.zeros((90, 120), np.uint16)
    cv2.circle(picture, (60, 45), 30, 50000, -1)
    cv2.imwrite(str(folder / "finished.png"), picture)
    tables = {
        "capture": {"target": target, "start_utc": "2031-04-05T21:30:00Z"},
        "telescope": {"name": telescope, "aperture_mm": aperture_mm},
    }
    limit = 206265.0 * 550e-6 / aperture_mm
    measured = {
        "resolution_arcsec": Measured(resolution, 0.02 * resolution),
        "resolution_over_diffraction": Measured(resolution / limit, 0.02 * resolution / limit),
        "scale_arcsec_per_px": Measured(0.2),
        "snr": Measured(100.0),
    }
    return LoggedRun(
        folder.name, folder, "", "x.avi", None, None, "disc", "2031-04-05", None, None, tables, measured=measured
    )


@pytest.fixture(scope="session")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[LoggedRun]:
    """A small telescope near its limit, a large one nearer to what counts."""
    folder = tmp_path_factory.mktemp("runs")
    return [
        recorded(folder / "one", "Wren <i>", 100.0, 1.3),
        recorded(folder / "two", "Curlew", 250.0, 0.55),
        recorded(folder / "three", "Curlew", 250.0, 0.56),
    ]


def test_telescopes_without_a_common_target_are_all_held_against_their_limits(tmp_path: Path) -> None:
    """Pictures are shown of one target; what each telescope reached against its own limit needs no common one."""
    made = [recorded(tmp_path / name, name, 200.0, 0.7, target) for name, target in (("Tern", "Ambrel"), ("Gull", "X"))]
    text = write_comparison_page(compare_runs(made, "telescope"), tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Resolution of 2 runs against the diffraction limit" in text


def test_a_true_difference_is_told_and_a_missing_one_too(runs: list[LoggedRun], tmp_path: Path) -> None:
    text = write_comparison_page(compare_runs(runs, "telescope"), tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Resolution: Curlew is better, smaller than Wren &lt;i&gt;" in text
    assert "<i>&gt;" not in text
    assert 'class="yes">better<' in text
    assert "no difference" in text
    assert "Cannot be told" in text
    assert "signal to noise" in text.split("Cannot be told")[1]


def test_runs_are_called_by_telescope_and_folder(runs: list[LoggedRun], tmp_path: Path) -> None:
    text = write_comparison_page(compare_runs(runs[1:]), tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Curlew, two" in text
    assert "Curlew, three" in text
    assert "none exceeds its error" in text


def test_the_same_runs_give_the_same_bytes(runs: list[LoggedRun], tmp_path: Path) -> None:
    first = write_comparison_page(compare_runs(runs), tmp_path / "a.html").read_bytes()
    assert write_comparison_page(compare_runs(runs), tmp_path / "b.html").read_bytes() == first


def test_the_sun_carries_its_caution(runs: list[LoggedRun], tmp_path: Path) -> None:
    solar = [replace(run, circumstances={**run.circumstances, "capture": {"target": "Sun"}}) for run in runs]
    text = write_comparison_page(compare_runs(solar), tmp_path / "sun.html").read_text(encoding="utf-8")
    assert text.index("DANGER, THE SUN") < text.index("<h1>")


def test_a_place_that_takes_no_page_is_one_line(runs: list[LoggedRun], tmp_path: Path) -> None:
    with pytest.raises(OutputError):
        write_comparison_page(compare_runs(runs), tmp_path / "none" / "page.html")


def test_seeing_over_the_sessions_is_told_with_its_numbers(tmp_path: Path) -> None:
    """Two nights of seeing 1.0 and 2.0 in the zenith: the usual one, a median of medians, lies half way."""
    found = []
    for night, seeing in (("2031-04-05", 1.0), ("2031-04-06", 2.0)):
        for hour in (21, 23):
            run = recorded(tmp_path / f"{night}-{hour}", "Curlew", 250.0, 0.55)
            said = {"capture": {"target": "Ambrel", "start_utc": f"{night}T{hour}:00:00Z"}}
            measured = {**run.measured, "seeing_arcsec": Measured(seeing, 0.1 * seeing)}
            found.append(replace(run, night=night, circumstances={**run.circumstances, **said}, measured=measured))
    text = write_comparison_page(compare_runs(found, "night"), tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Seeing of 4 runs at 500 nm, as measured." in text
    assert "Usual: 1.5" in text
    assert "Night by night" in text
    assert "Hour by hour" in text
    assert "By altitude" not in text
