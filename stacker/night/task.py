"""One capture's work, as it is handed to a thread, a process or another machine, and what comes back."""

from __future__ import annotations

import json
import os
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stacker.capture import Circumstances, open_capture
from stacker.failures import describe
from stacker.run_folder.leftovers import RUN_MARKER, work_lock_path
from stacker.run_folder.lock import hold, owner_of
from stacker.run_folder.place import RUN_FILES, OutputError, refused
from stacker.run_folder.provenance import provenance
from stacker.settings import Settings

DONE, ALREADY, FAILED, BUSY, REFUSED, LOST = "done", "already", "failed", "busy", "refused", "lost"
_STAGES = {"ranking": (0.0, 0.35), "aligning": (0.35, 0.7), "averaging": (0.7, 0.95)}
"""Where each stage of the pipeline begins and ends, as shares of the whole."""

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Task:
    """What to do: a capture, the run folder it becomes, and how."""

    path: Path
    folder: Path
    settings: Settings = field(default_factory=Settings)
    overrides: Circumstances | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of a task."""

    state: str
    """`done`; `already` (it was whole before); `failed` (this capture cannot be used); `busy` (another call works on
    it); `refused` (the run folder cannot be written, so no other can); `lost` (its worker died)."""
    words: str
    """One line to tell."""
    metrics: Mapping[str, Any] | None = None
    """As in metrics.json, where there is a run."""


def do_task(task: Task, threads: int = 1, progress: Progress | None = None) -> Outcome:
    """Do a task unless it is done already or another call is at it; nothing that goes wrong is raised.

    Only a connection that breaks under `progress` is: nobody waits for the outcome any more then.
    """
    try:
        with _claimed(task) as ours:
            if not ours:
                return Outcome(BUSY, f"{task.path}: {owner_of(work_lock_path(task.folder))} works on it")
            return _do(task, threads, progress)
    except ConnectionError:
        raise
    except Exception as error:
        if os.environ.get("STILLAIR_DEBUG"):
            traceback.print_exception(error)
        drive_refuses = isinstance(error, OutputError) and isinstance(error.__cause__, OSError)
        return Outcome(REFUSED if drive_refuses else FAILED, describe(error, task.path))


@contextmanager
def _claimed(task: Task) -> Iterator[bool]:
    """Hold the task's lock, so that two calls on one folder share the work; give False where another holds it."""
    with ExitStack() as stack:
        try:
            task.folder.parent.mkdir(parents=True, exist_ok=True)
            ours = stack.enter_context(hold(work_lock_path(task.folder)))
        except OSError as error:
            raise refused(task.folder, error) from error
        yield ours


def finished_metrics(task: Task) -> dict[str, Any] | None:
    """Return the metrics of a whole run with this very input, settings and version; None where there is none.

    Raises CaptureError where the capture cannot be read.
    """
    if not all((task.folder / name).is_file() for name in RUN_FILES):
        return None
    try:
        metrics = json.loads((task.folder / RUN_MARKER).read_text(encoding="utf-8"))
        digest = metrics["work_sha256"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    with open_capture(task.path, task.overrides) as capture:
        same = provenance(capture, task.settings, task.overrides)["work_sha256"] == digest
    return metrics if same else None


def _do(task: Task, threads: int, progress: Progress | None) -> Outcome:
    from stacker.pipeline import process
    from stacker.run_folder.metrics_file import complete_metrics

    metrics = finished_metrics(task)
    if metrics is not None:
        return Outcome(ALREADY, f"{task.path.name}: done already -> {task.folder / 'finished.png'}", metrics)
    run = process(
        task.path,
        task.folder.parent,
        task.settings,
        task.overrides,
        workers=threads,
        progress=None if progress is None else _shares(progress),
        name=task.folder.name,
    )
    return Outcome(DONE, run.summary, complete_metrics(run.metrics))


def _shares(progress: Progress) -> Callable[[str, int, int], None]:
    """Return what turns the pipeline's progress into a share of the whole, told five times a second at most."""
    last_s = 0.0

    def told(stage: str, done: int, total: int) -> None:
        nonlocal last_s
        now = time.monotonic()
        if now - last_s < 0.2:
            return
        last_s = now
        begins, ends = _STAGES.get(stage, (0.0, 0.0))
        progress(begins + (ends - begins) * done / max(total, 1))

    return told
