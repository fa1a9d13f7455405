"""Work in several processes: every task comes back once, whatever happens to a worker."""

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from stacker.night.found import Found
from stacker.night.hands import Hands
from stacker.night.plan import NEW, Plan, Planned
from stacker.night.processes import Processes
from stacker.night.task import BUSY, DONE, FAILED, LOST, REFUSED, Outcome, Task, do_task
from stacker.night.work import NightStopped, Work
from stacker.run_folder.leftovers import work_lock_path
from stacker.run_folder.lock import hold

Recorder = Callable[..., Path]


@pytest.fixture(autouse=True)
def _known_to_workers(monkeypatch: pytest.MonkeyPatch, checkout: Path) -> None:
    """Workers are new interpreters: they must find this file too. Last, so that the installed package is the first."""
    monkeypatch.setattr(sys, "path", [*sys.path, str(checkout)])


def nothing() -> None:
    """Prepare nothing."""


def _until(hands: Hands, count: int) -> list[tuple[Task, Outcome]]:
    done: list[tuple[Task, Outcome]] = []
    until = time.monotonic() + 60
    while len(done) < count and time.monotonic() < until:
        done += hands.gather(1.0)
    return done


def test_worker_processes_do_tasks_and_tell_how_far_they_are(record: Recorder, tmp_path: Path) -> None:
    told: dict[Path, list[float]] = {}
    tasks = [Task(record(tmp_path / f"{name}.avi", frames=60), tmp_path / "runs" / name) for name in "ab"]
    tasks.append(Task(tmp_path / "gone.avi", tmp_path / "runs" / "gone"))
    with Processes(2, nothing, lambda path, share: told.setdefault(path, []).append(share)) as hands:
        for task in tasks[:2]:
            hands.take(task, 1)
        assert hands.free() == 0
        outcomes = dict(_until(hands, 2))
        hands.take(tasks[2], 1)
        outcomes |= dict(_until(hands, 1))
    assert [outcomes[task].state for task in tasks] == [DONE, DONE, FAILED]
    assert "\n" not in outcomes[tasks[2]].words
    assert all(shares == sorted(shares) and 0 <= shares[-1] <= 1 for shares in told.values())


def die_once(marker: Path) -> None:
    """Kill this process the first time."""
    if not marker.exists():
        marker.touch()
        os._exit(9)


def test_a_worker_that_dies_costs_its_capture_once(record: Recorder, tmp_path: Path) -> None:
    """The task comes back as lost, a new worker takes its place, and the night hands it out again."""
    from functools import partial

    task = Task(record(tmp_path / "a.avi"), tmp_path / "runs" / "a")
    planned = Planned(Found(task.path, frames=24, height_px=80, width_px=80), NEW, task)
    plan = Plan(tmp_path, tmp_path / "runs", (), {task.path: planned}, (), ())
    heard: list[Outcome] = []
    work = Work(1, None, lambda _, outcome: heard.append(outcome))
    with Processes(1, partial(die_once, tmp_path / "marker"), lambda *_: None) as hands:
        work.add(plan)
        until = time.monotonic() + 60
        while work.left and time.monotonic() < until:
            work.step(hands)
    assert [outcome.state for outcome in heard] == [DONE]
    assert (tmp_path / "marker").exists()


class Scripted(Hands):
    """Gives the outcomes of a script, one a task."""

    def __init__(self, *script: str) -> None:
        self.script, self.taken = list(script), list[Task]()

    def free(self) -> int:
        return 1 - len(self.taken)

    def take(self, task: Task, threads: int) -> None:
        self.taken.append(task)

    def gather(self, timeout_s: float) -> list[tuple[Task, Outcome]]:
        return [(self.taken.pop(), Outcome(self.script.pop(0), "words"))] if self.taken else []


def _worked(tmp_path: Path, *script: str) -> list[str]:
    task = Task(tmp_path / "a.avi", tmp_path / "a")
    planned = Planned(Found(task.path, frames=9, height_px=9, width_px=9), NEW, task)
    heard: list[Outcome] = []
    work = Work(1, None, lambda _, outcome: heard.append(outcome))
    work.add(Plan(tmp_path, tmp_path, (), {task.path: planned}, (), ()))
    hands = Scripted(*script)
    while work.left:
        work.step(hands)
    return [outcome.state for outcome in heard]


def test_what_another_call_works_on_is_tried_again(tmp_path: Path) -> None:
    assert _worked(tmp_path, BUSY, BUSY, DONE) == [DONE]


def test_a_capture_that_kills_its_worker_twice_has_failed(tmp_path: Path) -> None:
    assert _worked(tmp_path, LOST, DONE) == [DONE]
    assert _worked(tmp_path, LOST, LOST) == [FAILED]


def test_a_drive_that_refuses_stops_everything(tmp_path: Path) -> None:
    with pytest.raises(NightStopped, match="what is done stays done"):
        _worked(tmp_path, REFUSED)


def test_the_large_ones_go_first(tmp_path: Path) -> None:
    """Longest first leaves the small ones to fill the gaps (Graham 1969, SIAM J. Appl. Math. 17, 416: at most 4/3 of
    the best time)."""
    planned = {
        Path(name): Planned(
            Found(Path(name), frames=frames, height_px=99, width_px=99), NEW, Task(Path(name), Path(name))
        )
        for name, frames in (("a", 100), ("b", 3000), ("c", 900))
    }
    work = Work(1, None, lambda *_: None)
    work.add(Plan(tmp_path, tmp_path, (), planned, (), ()))
    assert [entry.path.name for entry in work.waiting] == ["b", "c", "a"]


def test_a_task_that_another_process_holds_is_busy(record: Recorder, tmp_path: Path) -> None:
    task = Task(record(tmp_path / "a.avi"), tmp_path / "runs" / "a")
    task.folder.parent.mkdir()
    with hold(work_lock_path(task.folder)) as ours:
        assert ours
        assert do_task(task).state == BUSY
    assert do_task(task).state == DONE
