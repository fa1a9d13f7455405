"""`stillair night` from the plan to the closing table; resumed, shared, stopped and watched."""

import json
import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stacker.run_folder.place import RUN_FILES

Recorder = Callable[..., Path]
Call = Callable[..., Any]
BytesOf = Callable[[Path], dict[str, bytes]]


@pytest.fixture
def night(record: Recorder, tmp_path: Path) -> Path:
    """Four captures, one of them in a folder of its own, and an empty file."""
    folder = tmp_path / "night"
    said: dict[str, Any] = {"telescope": {"name": "Heron", "aperture_mm": 200.0, "focal_length_mm": 3000.0}}
    for number, name in enumerate(("a.avi", "b.fits", "deep/c.avi")):
        record(
            folder / name,
            kind=name.rpartition(".")[2],
            seed=number,
            capture={"target": "Ambrel", "start_utc": f"2031-04-05T21:{number}0:00Z"},
            **said,
        )
    record(folder / "d", kind="png", seed=9, capture={"target": "Ondrel"})
    (folder / "empty.avi").write_bytes(b"")
    os.utime(folder / "empty.avi", (1e9, 1e9))
    return folder


def _runs(out: Path) -> list[str]:
    return sorted(path.parent.relative_to(out).as_posix() for path in out.rglob("metrics.json"))


def _no_leftovers(out: Path) -> bool:
    return not list(out.rglob(".*"))


def test_the_plan_tells_and_does_nothing(night: Path, stillair: Call, tmp_path: Path) -> None:
    done = stillair("night", night, "--out", tmp_path / "runs", "--dry-run")
    assert done.status == 1  # one cannot be used
    assert "Ambrel, Heron, night of 2031-04-05, 21:00 to 21:20 UTC" in done.out
    assert f"{night / 'empty.avi'}: is empty" in done.out
    assert done.out.splitlines()[-1].startswith("5 captures in 2 groups: 4 to do")
    assert not (tmp_path / "runs").exists()
    told = json.loads(stillair("night", night, "--out", tmp_path / "runs", "--dry-run", "--json").out)
    assert [len(group["captures"]) for group in told["groups"]] == [3, 1]
    assert told["groups"][0]["captures"][2]["folder"] == str(tmp_path / "runs" / "deep" / "c")


def test_a_night_goes_past_a_bad_capture_and_is_not_done_twice(
    night: Path, stillair: Call, tmp_path: Path, bytes_of: BytesOf
) -> None:
    out = tmp_path / "runs"
    done = stillair("night", night, "--out", out, "--workers", 1)
    assert done.status == 1
    assert _runs(out) == ["a", "b", "d", "deep/c"]
    assert all(sorted(os.listdir(out / run))[0] and set(RUN_FILES) <= set(os.listdir(out / run)) for run in _runs(out))
    assert done.out.splitlines()[-1] == f"4 of 5 captures done, 1 failed -> {out}"
    # Without pixel_um nothing is known of the air, and the verdicts leave it out.
    assert sum(line.endswith("air not known") for line in done.out.splitlines()) == 4
    with sqlite3.connect(os.environ["STILLAIR_LOGBOOK"]) as book:
        assert book.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    before, stamps = bytes_of(out), [path.stat().st_mtime_ns for path in sorted(out.rglob("*"))]

    again = stillair("night", night, "--out", out, "--workers", 1)
    assert [path.stat().st_mtime_ns for path in sorted(out.rglob("*"))] == stamps
    assert "4 of 5 captures done (4 of them before)" in again.out

    # What is no longer whole, or was made with other words of the sidecar, is done again; the rest is left alone.
    (out / "a" / "stack.fits").unlink()
    sidecar = night / "b.toml"
    sidecar.write_text(sidecar.read_text().replace("200.0", "210.0"))
    third = stillair("night", night, "--out", out, "--workers", 1)
    assert "4 of 5 captures done (2 of them before)" in third.out
    after = bytes_of(out)
    assert {name for name in before if before[name] != after[name]} <= {
        name for name in before if name.startswith("b/")
    }
    assert after["b/stack.fits"] != before["b/stack.fits"]
    assert _no_leftovers(out)


def test_two_workers_and_one_make_the_same_bytes(
    night: Path, stillair: Call, tmp_path: Path, bytes_of: BytesOf
) -> None:
    for workers in (1, 2):
        assert stillair("night", night, "--out", tmp_path / str(workers), "--workers", workers).status == 1
    assert bytes_of(tmp_path / "1") == bytes_of(tmp_path / "2")


def test_other_settings_are_other_work(night: Path, stillair: Call, tmp_path: Path) -> None:
    (night / "empty.avi").unlink()
    out = tmp_path / "runs"
    told = json.loads(stillair("night", night, "--out", out, "--workers", 1, "--json").out)
    assert {entry["outcome"] for group in told["groups"] for entry in group["captures"]} == {"done"}
    told = json.loads(stillair("night", night, "--out", out, "--workers", 1, "--keep", 50, "--json").out)
    assert {entry["outcome"] for group in told["groups"] for entry in group["captures"]} == {"done"}
    told = json.loads(stillair("night", night, "--out", out, "--workers", 1, "--keep", 50, "--json").out)
    assert {entry["outcome"] for group in told["groups"] for entry in group["captures"]} == {"already"}


def _child(*words: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "stacker.cli", "night", *(str(word) for word in words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_a_night_killed_at_any_moment_resumes_to_the_same_bytes(
    night: Path, stillair: Call, tmp_path: Path, bytes_of: BytesOf
) -> None:
    """SIGKILL (TerminateProcess on Windows) gives no chance to tidy up: as a power cut, but for what the disk keeps."""
    stillair("night", night, "--out", tmp_path / "whole", "--workers", 1)
    out = tmp_path / "runs"
    for share in (0.5, 0.7, 0.9):
        child = _child(night, "--out", out, "--workers", 1)
        time.sleep(2.2 * share)
        child.kill()
        child.communicate()
    stillair("night", night, "--out", out, "--workers", 1)
    assert bytes_of(out) == bytes_of(tmp_path / "whole")
    assert _no_leftovers(out)
    with sqlite3.connect(os.environ["STILLAIR_LOGBOOK"]) as book:
        assert book.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_two_calls_at_once_share_the_work(night: Path, tmp_path: Path, stillair: Call, bytes_of: BytesOf) -> None:
    out = tmp_path / "runs"
    calls = [_child(night, "--out", out, "--workers", 1) for _ in range(2)]
    told = [call.communicate(timeout=120)[0] for call in calls]
    assert [call.returncode for call in calls] == [1, 1]
    assert all("4 of 5 captures done" in words for words in told)
    stillair("night", night, "--out", tmp_path / "alone", "--workers", 1)
    assert bytes_of(out) == bytes_of(tmp_path / "alone")
    assert _no_leftovers(out)


def test_a_drive_that_fills_up_stops_the_night_with_one_line(
    night: Path, tmp_path: Path, stillair: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every other capture would fail alike, after its share of the night; the next call finds nothing half-written."""
    from stacker.run_folder import writing

    real, calls = writing.write_tiff, []

    def fill_up(*words: Any) -> None:
        calls.append(words)
        if len(calls) > 1:
            raise OSError(28, "No space left on device")
        real(*words)

    monkeypatch.setattr(writing, "write_tiff", fill_up)
    out = tmp_path / "runs"
    done = stillair("night", night, "--out", out, "--workers", 1)
    assert done.status == 1
    assert len(calls) == 2
    (line,) = [line for line in done.err.splitlines() if "No space left" in line]
    assert "call again" in line
    assert len(_runs(out)) == 1
    assert _no_leftovers(out)
    monkeypatch.setattr(writing, "write_tiff", real)
    assert "(1 of them before)" in stillair("night", night, "--out", out, "--workers", 1).out


def test_a_folder_without_captures_is_told_as_such(tmp_path: Path, stillair: Call) -> None:
    """No table of nothing; it is no failure: the captures may still be to come."""
    (tmp_path / "notes.txt").write_text("clouds")
    done = stillair("night", tmp_path, "--out", tmp_path / "runs", "--workers", 1)
    assert (done.status, done.err) == (0, "")
    assert done.out.startswith(f"{tmp_path}: holds no capture; ")
    assert len(done.out.splitlines()) == 1


def test_results_that_cannot_be_written_are_told_before_the_work(night: Path, tmp_path: Path, stillair: Call) -> None:
    (tmp_path / "file").write_text("in the way")
    done = stillair("night", night, "--out", tmp_path / "file" / "runs", "--workers", 1)
    assert done.status == 1
    assert done.out == ""
    assert len(done.err.splitlines()) == 1
    assert "cannot be written" in done.err


def test_a_drive_that_vanishes_stops_the_night_with_one_line(
    night: Path, tmp_path: Path, stillair: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    from stacker import pipeline

    real = pipeline.process

    def unplug(path: Path, *words: Any, **named: Any) -> Any:
        result = real(path, *words, **named)
        if night.exists():
            night.rename(tmp_path / "elsewhere")
        return result

    monkeypatch.setattr(pipeline, "process", unplug)
    done = stillair("night", night, "--out", tmp_path / "runs", "--workers", 1)
    assert done.status == 1
    assert done.err.splitlines() == [
        f"{night}: is gone; bring the drive back, then call again: what is done stays done"
    ]
    monkeypatch.setattr(pipeline, "process", real)
    (tmp_path / "elsewhere").rename(night)
    assert "(1 of them before)" in stillair("night", night, "--out", tmp_path / "runs", "--workers", 1).out


def test_a_drive_of_results_that_vanishes_is_told_though_its_mount_point_is_there(
    night: Path, tmp_path: Path, stillair: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker makes the folder anew, on the drive below: another drive and another folder than before."""
    from stacker import pipeline
    from stacker.night import unattended

    real, identity, out = pipeline.process, unattended._identity, tmp_path / "runs"
    places = {"mounted": True}

    def unplug(*words: Any, **named: Any) -> Any:
        places["mounted"] = False
        return real(*words, **named)

    def of_two_drives(folder: Path) -> tuple[int, int] | None:
        drive, number = identity(folder) or (0, 0)
        return (drive, number) if places["mounted"] or folder != out else (drive + 1, number + 1)

    monkeypatch.setattr(pipeline, "process", unplug)
    monkeypatch.setattr(unattended, "_identity", of_two_drives)
    done = stillair("night", night, "--out", out, "--workers", 1)
    assert done.status == 1
    assert done.err.splitlines() == [f"{out}: is gone; bring the drive back, then call again: what is done stays done"]


def test_a_watch_takes_what_arrives_once_it_has_stopped_growing(
    record: Recorder, tmp_path: Path, stillair: Call
) -> None:
    folder = tmp_path / "night"
    record(folder / "a.avi")
    whole = record(tmp_path / "b.avi", seed=4).read_bytes()

    def arrive() -> None:
        with (folder / "b.avi").open("wb") as file:
            for part in range(8):
                file.write(whole[len(whole) * part // 8 : len(whole) * (part + 1) // 8])
                file.flush()
                time.sleep(0.15)

    writer = threading.Timer(0.3, arrive)
    writer.start()
    watch = ("--watch-for-s", 3, "--quiet-s", 1, "--workers", 1)
    done = stillair("night", folder, "--out", tmp_path / "runs", *watch)
    writer.join()
    assert done.status == 0
    assert _runs(tmp_path / "runs") == ["a", "b"]
    assert json.loads((tmp_path / "runs" / "b" / "metrics.json").read_text())["frames_total"] == 24


def test_a_file_that_still_grows_is_left_for_the_next_call(record: Recorder, tmp_path: Path, stillair: Call) -> None:
    folder = tmp_path / "night"
    record(folder / "a.avi")
    growing = record(folder / "b.avi", seed=4)
    stop = threading.Event()

    def grow() -> None:
        with growing.open("ab") as file:
            while not stop.wait(0.1):
                file.write(b"\0" * 512)
                file.flush()

    writer = threading.Thread(target=grow)
    writer.start()
    try:
        time.sleep(0.3)
        done = stillair("night", folder, "--out", tmp_path / "runs", "--quiet-s", 0.6, "--workers", 1)
    finally:
        stop.set()
        writer.join()
    assert "1 still growing: call again" in done.out
    assert _runs(tmp_path / "runs") == ["a"]


def test_the_caution_stands_on_the_plan_and_on_the_night(record: Recorder, tmp_path: Path, stillair: Call) -> None:
    record(tmp_path / "night" / "spots.avi", capture={"target": "Sun"})
    for words in (("--dry-run",), ("--workers", 1)):
        done = stillair("night", tmp_path / "night", "--out", tmp_path / "runs", *words)
        told = " ".join(line.removeprefix("!! ") for line in done.out.splitlines())
        assert "certified full-aperture solar filter in front of the telescope" in told
    asked = stillair("night", tmp_path / "night", "--out", tmp_path / "runs", "--json")
    assert "full-aperture" in json.loads(asked.out)["cautions"][0]
    assert "full-aperture" in asked.err
