"""`stillair process` around the pipeline: arguments, words, exit status. The pipeline itself is stood in for."""

import json
import os
import subprocess
import sys
import types
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from stacker.capture import CaptureError, Circumstances
from stacker.settings import Settings


@dataclass
class Calls:
    """Stands in for the pipeline and remembers what it was asked."""

    failing: dict[str, BaseException] = field(default_factory=dict)
    made: list[tuple[Path, Path, Settings, Circumstances | None, int | None]] = field(default_factory=list)

    def process(
        self, path: Path, out: Path, settings: Settings, circumstances: Any, workers: Any, progress: Any
    ) -> Any:
        self.made.append((Path(path), out, settings, circumstances, workers))
        progress("ranking", 1, 2)
        if path.name in self.failing:
            raise self.failing[path.name]
        metrics = {"capture": path.name, "snr": float("nan")}
        return types.SimpleNamespace(folder=out / path.stem, metrics=metrics, summary=f"{path.name}: 3 of 5 frames")


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> Calls:
    recorded = Calls()
    pipeline = types.ModuleType("stacker.pipeline")
    pipeline.process = recorded.process  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "stacker.pipeline", pipeline)
    monkeypatch.setenv("STILLAIR_LOGBOOK", "none")
    return recorded


def test_a_line_a_capture_on_standard_output_and_silence_beside_it(calls: Calls, stillair: Callable[..., Any]) -> None:
    done = stillair("process", "a.avi", "b.fits", "--out", "runs")
    assert (done.status, done.out, done.err) == (0, "a.avi: 3 of 5 frames\nb.fits: 3 of 5 frames\n", "")


def test_a_capture_that_fails_does_not_stop_the_others(calls: Calls, stillair: Callable[..., Any]) -> None:
    calls.failing = {"a.avi": CaptureError("a.avi", "is empty", "record it again"), "b.avi": ZeroDivisionError("by\n0")}
    done = stillair("process", "a.avi", "b.avi", "c.avi", "--out", "runs")
    assert done.status == 1
    assert done.out == "c.avi: 3 of 5 frames\n"
    first, second = done.err.splitlines()
    assert first == "a.avi: is empty; record it again"
    assert second.startswith("b.avi: unexpected ZeroDivisionError (by 0); ")
    assert "STILLAIR_DEBUG" in second


def test_the_trace_is_shown_on_request(
    calls: Calls, stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STILLAIR_DEBUG", "1")
    calls.failing = {"a.avi": ZeroDivisionError("by 0")}
    assert "Traceback" in stillair("process", "a.avi", "--out", "runs").err


def test_json_is_an_object_a_capture(calls: Calls, stillair: Callable[..., Any]) -> None:
    calls.failing = {"a.avi": CaptureError("a.avi", "is empty", "record it again")}
    done = stillair("process", "a.avi", "b.avi", "--out", "runs", "--json")
    failed, fine = (json.loads(line) for line in done.out.splitlines())
    assert failed == {"capture": "a.avi", "error": "a.avi: is empty; record it again"}
    assert fine["folder"] == str(Path("runs/b"))
    assert fine["metrics"]["schema_version"] == 1
    assert fine["metrics"]["snr"] is None


def test_options_beat_the_settings_file(calls: Calls, stillair: Callable[..., Any], tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(
        '[stacking]\nkeep = 10\n[alignment]\neffort = "quick"\n[telescope]\naperture_mm = 150\nname = "six"\n'
    )
    words = ["process", "a.avi", "--out", "runs", "--settings", file, "--keep", "20", "--target", "disc"]
    assert stillair(*words, "--aperture-mm", "200", "--workers", "2").status == 0
    _, _, settings, circumstances, workers = calls.made[0]
    assert (settings.stacking.keep, settings.alignment.effort, settings.ranking.target) == (20.0, "quick", "disc")
    assert circumstances is not None
    assert (circumstances.telescope.aperture_mm, circumstances.telescope.name, workers) == (200.0, "six", 2)


def test_without_options_everything_is_left_to_the_capture(calls: Calls, stillair: Callable[..., Any]) -> None:
    stillair("process", "a.avi", "--out", "runs", "--keep", "auto")
    assert calls.made == [(Path("a.avi"), Path("runs"), Settings(), None, None)]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--keep", "0"], "--keep is 0.0; give auto, or a number from 0.01 to 100"),
        (["--keep", "most"], "--keep is 'most'"),
        (["--keep", "nan"], "--keep is nan"),
        (["--target", "moon"], "--target is 'moon'; give auto, disc or surface"),
        (["--effort", "none"], "--effort is 'none'; give quick or full"),
        (["--aperture-mm", "-4"], "aperture_mm is -4.0; give millimetres, 10 or more"),
        (["--mosaic", "RGBG"], "mosaic is 'RGBG'; did you mean"),
        (["--bits", "x"], "invalid int value"),
        (["--workers", "0"], "is not a whole number above 0"),
        (["--settings", "no such file"], "no such file: cannot be read"),
        (["--kepe", "4"], "did you mean --keep?"),
    ],
)
def test_a_wrong_call_is_told_in_one_line(
    calls: Calls, stillair: Callable[..., Any], words: list[str], told: str
) -> None:
    done = stillair("process", "a.avi", "--out", "runs", *words)
    assert done.status == 2
    assert told in done.err
    assert done.err.count("\n") == 1
    assert done.out == ""
    assert calls.made == []


def test_two_captures_never_share_a_run_folder(calls: Calls, stillair: Callable[..., Any]) -> None:
    done = stillair("process", "monday/Moon.avi", "tuesday/moon.fits", "--out", "runs")
    assert (done.status, calls.made) == (2, [])
    assert done.err.count("\n") == 1
    assert stillair("process", "moon.avi", "./moon.avi", "--out", "runs").out.count("\n") == 1


def test_patterns_are_filled_in_where_the_shell_does_not(
    calls: Calls, stillair: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("b 2.avi", "a.avi", "c.fits", "[d].avi"):
        (tmp_path / name).write_bytes(b"")
    stillair("process", "[d].avi", "?*.avi", "none*.avi", "--out", "runs")
    assert [call[0].name for call in calls.made] == ["[d].avi", "a.avi", "b 2.avi", "none*.avi"]


def test_stopping_by_hand_is_quiet(calls: Calls, stillair: Callable[..., Any]) -> None:
    """130 is what shells report for an interrupted command (128 + SIGINT, POSIX practice)."""
    calls.failing = {"a.avi": KeyboardInterrupt()}
    done = stillair("process", "a.avi", "b.avi", "--out", "runs")
    assert (done.status, len(calls.made), done.err.count("\n")) == (130, 1, 1)


def test_a_bar_only_on_a_terminal(calls: Calls, stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    assert "ranking" in stillair("process", "a.avi", "--out", "runs").err


def test_help_version_and_completion_stay_light(tmp_path: Path) -> None:
    """Numerical packages cost most of a second: none of them may be loaded before there is work."""
    script = (
        "import sys; from stacker.cli import main; status = main(sys.argv[1:]);"
        "heavy = {'numpy', 'cv2', 'scipy', 'astropy', 'av', 'tifffile', 'matplotlib', 'imageio'} & set(sys.modules);"
        "print(sorted(heavy), file=sys.stderr); sys.exit(status or bool(heavy))"
    )
    for words in (["--version"], ["process", "--help"], ["simulate", "--help"], ["completion", "zsh"]):
        done = subprocess.run([sys.executable, "-c", script, *words], cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, f"{words}: {done.stderr}"


@pytest.mark.skipif(os.name == "nt", reason="a pipe's reader cannot go away in this way on Windows")
def test_a_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "stacker.cli", "completion", "bash"]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, text=True, cwd=tmp_path)
    os.close(writing)
    assert done.stderr == ""
