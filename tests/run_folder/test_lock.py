"""A lock is one owner's at a time, ends with its process, and leaves no file."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from stacker.run_folder import place as place_module
from stacker.run_folder.leftovers import beside, lock_path, sweep, work_lock_path
from stacker.run_folder.lock import hold, owner_of
from stacker.run_folder.place import RUN_FILES, OutputError, whole_folder

_HOLDER = """
import sys, time
from pathlib import Path
from stacker.run_folder.lock import hold
with hold(Path(sys.argv[1])) as ours:
    print(ours, flush=True)
    time.sleep(60)
"""


def _holder(lock: Path) -> subprocess.Popen[str]:
    child = subprocess.Popen([sys.executable, "-c", _HOLDER, str(lock)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline().strip() == "True"
    return child


def _end(child: subprocess.Popen[str]) -> None:
    child.kill()
    child.communicate()


def test_another_process_waits_until_the_owner_is_killed(tmp_path: Path) -> None:
    lock = tmp_path / ".jupiter.lock"
    child = _holder(lock)
    try:
        with hold(lock) as ours:
            assert not ours
        assert owner_of(lock).startswith(f"process {child.pid} on ")
        assert lock.exists()
    finally:
        _end(child)
    assert lock.exists()
    with hold(lock) as ours:
        assert ours
    assert list(tmp_path.iterdir()) == []


def test_the_owner_is_waited_for_no_longer_than_asked(tmp_path: Path) -> None:
    child = _holder(tmp_path / "lock")
    try:
        start = time.monotonic()
        with hold(tmp_path / "lock", wait_s=0.3) as ours:
            assert not ours
        assert 0.3 <= time.monotonic() - start < 5
    finally:
        _end(child)


def _run(folder: Path, words: str) -> None:
    folder.mkdir()
    for name in RUN_FILES:
        (folder / name).write_text(words)


def test_what_killed_writers_left_is_swept_and_what_is_written_is_not(tmp_path: Path) -> None:
    """A run that was being replaced comes back; a part that somebody writes stays, with its lock."""
    _run(tmp_path / "saturn", "whole")
    (tmp_path / ".saturn.part999").mkdir()
    (tmp_path / ".saturn.try999").mkdir()
    (tmp_path / "far away").mkdir()
    _run(tmp_path / "far away" / ".mars.old999", "older")
    _run(tmp_path / ".moon.part999", "half")
    work_lock_path(tmp_path / "saturn").write_text("elsewhere 1 2")
    child = _holder(lock_path(tmp_path / "moon"))
    try:
        sweep(tmp_path, RUN_FILES)
        assert sorted(entry.name for entry in tmp_path.iterdir()) == [
            ".moon.lock",
            ".moon.part999",
            "far away",
            "saturn",
        ]
        assert (tmp_path / "far away" / "mars" / "metrics.json").read_text() == "older"
    finally:
        _end(child)
    sweep(tmp_path, RUN_FILES)
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["far away", "saturn"]


def test_what_the_user_kept_in_a_run_survives_a_kill_amid_its_replacement(tmp_path: Path) -> None:
    _run(tmp_path / "saturn", "new")
    _run(tmp_path / ".saturn.old999", "older")
    (tmp_path / ".saturn.old999" / "my notes.txt").write_text("good night")
    sweep(tmp_path, RUN_FILES)
    assert [entry.name for entry in tmp_path.iterdir()] == ["saturn"]
    assert (tmp_path / "saturn" / "my notes.txt").read_text() == "good night"
    assert (tmp_path / "saturn" / "metrics.json").read_text() == "new"


def test_a_second_writer_of_one_run_is_told_who_the_first_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place_module, "_PATIENCE_S", 0.1)
    child = _holder(lock_path(tmp_path / "saturn"))
    try:
        words = f"is being written by process {child.pid}"
        with pytest.raises(OutputError, match=words), whole_folder(tmp_path / "saturn"):
            pytest.fail("the folder was handed out")
    finally:
        _end(child)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 on this system")
def test_a_writer_killed_amid_writing_leaves_nothing_that_the_next_does_not_clear(tmp_path: Path) -> None:
    script = """
import os, signal, sys
from pathlib import Path
from stacker.run_folder.place import whole_folder
with whole_folder(Path(sys.argv[1])) as temporary:
    (temporary / "stack.fits").write_text("half")
    os.kill(os.getpid(), signal.SIGKILL)
"""
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path / "run")], check=False)
    assert done.returncode == -signal.SIGKILL
    assert len(list(tmp_path.iterdir())) == 2
    with whole_folder(tmp_path / "run") as temporary:
        assert temporary == beside(tmp_path / "run", "part")
        (temporary / "metrics.json").write_text("{}")
    assert [entry.name for entry in tmp_path.iterdir()] == ["run"]
    assert os.listdir(tmp_path / "run") == ["metrics.json"]
