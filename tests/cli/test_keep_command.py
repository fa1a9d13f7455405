"""`stillair keep`: table, JSON, files beside a run, and one line for what is wrong."""

import builtins
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stacker.capture import open_capture
from stacker.keeping import keep_curve
from stacker.simulation import Air, CrateredSurface, Detector, Scenario, Tracking, write_simulation


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty frames of craters in moderate air."""
    scenario = Scenario(
        scene=CrateredSurface(), frames=60, height_px=96, width_px=96, air=Air(d_over_r0=4, psf_grid=3),
        detector=Detector(bits=12), tracking=Tracking(drift_x_px=4),
    )  # fmt: skip
    return write_simulation(tmp_path_factory.mktemp("keep") / "crater field.fits", scenario, 5, "fits")[0]


def test_the_table_tells_the_best_share(capture: Path, stillair: Callable[..., Any]) -> None:
    done = stillair("keep", capture)
    assert done.status == 0 and done.err == ""
    heading, columns, *rows, best = done.out.splitlines()
    assert heading == "crater field: 60 usable frames, sharpest first"
    assert columns.split() == ["percent", "frames", "resolution", "px", "signal", "to", "noise", "information", "bits"]
    assert len(rows) >= 10 and sum(row.lstrip().startswith("*") for row in rows) == 1
    assert best.startswith("best: ") and "as good within the error" in best


def test_json_has_the_keys_that_scripts_read(capture: Path, stillair: Callable[..., Any]) -> None:
    record = json.loads(stillair("keep", capture, "--json").out)
    low, high = record["good_range_percent"]
    assert low <= record["best_percent"] <= high
    assert [step["keep_percent"] for step in record["steps"]][-1] == 100
    for step in record["steps"]:
        assert set(step) == {
            "keep_percent", "frames", "resolution_px", "resolution_px_error", "snr", "snr_error",
            "information_bits", "information_bits_error",
        }  # fmt: skip


def test_files_stand_beside_a_run_and_outlive_it(capture: Path, stillair: Callable[..., Any], tmp_path: Path) -> None:
    """Before a run, keep's two files stand alone; a run joins them; both stay when either is repeated."""
    assert stillair("keep", capture, "--out", tmp_path).status == 0
    folder = tmp_path / "crater field"
    assert {entry.name for entry in tmp_path.iterdir()} == {"crater field"}
    assert {entry.name for entry in folder.iterdir()} == {"keep.json", "keep.png"}
    assert (folder / "keep.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    before = {entry.name: entry.read_bytes() for entry in folder.iterdir()}
    assert stillair("process", capture, "--out", tmp_path, "--keep", 100).status == 0
    metrics = json.loads((folder / "metrics.json").read_text())
    assert stillair("keep", capture, "--out", tmp_path, "--workers", 2).status == 0
    assert {name: (folder / name).read_bytes() for name in before} == before
    assert json.loads((folder / "metrics.json").read_text()) == metrics
    last = json.loads((folder / "keep.json").read_text())["steps"][-1]
    for key in ("resolution_px", "snr"):
        assert last[key] == pytest.approx(metrics[key], rel=0.01)  # sums in float32, noise on the box alone


def test_python_gives_what_the_command_prints(capture: Path, stillair: Callable[..., Any]) -> None:
    record = json.loads(stillair("keep", capture, "--json").out)
    assert keep_curve(capture).record() == record


def test_without_matplotlib_the_numbers_still_come(
    capture: Path, stillair: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    original = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return original(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    done = stillair("keep", capture, "--out", tmp_path)
    assert done.status == 0 and "best: " in done.out
    assert "stillair[plot]" in done.err.splitlines()[0]
    assert [entry.name for entry in (tmp_path / "crater field").iterdir()] == ["keep.json"]


def test_what_cannot_be_is_one_line(capture: Path, stillair: Callable[..., Any], tmp_path: Path) -> None:
    """A missing capture does not stop the others; a folder of something else is not touched."""
    done = stillair("keep", tmp_path / "no.avi", capture)
    assert done.status == 1 and "best: " in done.out and len(done.err.splitlines()) == 1
    other = tmp_path / "out" / "crater field"
    other.mkdir(parents=True)
    (other / "letters.txt").write_text("mine")
    done = stillair("keep", capture, "--out", tmp_path / "out")
    assert done.status == 1 and "holds something else than a run" in done.err
    assert [entry.name for entry in other.iterdir()] == ["letters.txt"]


def test_a_few_frames_have_no_curve(capture: Path, stillair: Callable[..., Any], tmp_path: Path) -> None:
    """Three frames make no two halves: a result without a best share, with the reason, in words one line."""
    import cv2

    folder = tmp_path / "three"
    folder.mkdir()
    with open_capture(capture) as frames:
        for index in range(3):
            cv2.imwrite(str(folder / f"{index}.png"), frames.get_frame(20 * index))
    record = json.loads(stillair("keep", folder, "--json", "--out", tmp_path / "runs").out)
    assert record["best_percent"] is None and record["steps"] == []
    assert record["note"] == "too few frames for two halves"
    assert stillair("keep", folder).out == "three: no best share: too few frames for two halves (usable: 3)\n"
