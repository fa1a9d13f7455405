"""Looks into the night's folder, again and again while captures still arrive."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stacker.capture import CaptureError, Circumstances
from stacker.capture.sidecar import sidecar_path
from stacker.night.discovery import Candidate, candidates
from stacker.night.found import Found, look, without_calibration
from stacker.night.growth import Growth, State, state_of
from stacker.night.plan import BAD, DONE, GROWING, NEW, Plan, make_plan, run_folders
from stacker.night.task import Task, finished_metrics
from stacker.settings import Settings

_LOOK_AGAIN_S = 0.25
_Look = tuple[tuple[State, ...], Found | None]


@dataclass
class Scout:
    """Makes the plan of a folder; what has not changed since the last look is not opened again."""

    folder: Path
    out: Path
    settings: Settings
    overrides: Circumstances | None
    growth: Growth
    told: Callable[[int], None] = lambda looked: None
    """Called with the number of captures looked at."""
    _looks: dict[Path, _Look] = field(default_factory=dict)
    _done: dict[Path, tuple[tuple[State, ...], dict[str, Any]]] = field(default_factory=dict)
    """What is known to be done, so that a watch does not digest it anew at every look."""

    def look_around(self, patience_s: float = 0.0) -> Plan:
        """Return the plan as things stand; fresh captures are watched for up to `patience_s` to see if they grow.

        Raises CaptureError where the folder cannot be listed.
        """
        seen = list(candidates(self.folder, self.out))
        fresh = self._growing(seen, patience_s)
        found = []
        for number, candidate in enumerate(seen):
            entry = self._looked(candidate)
            self.told(number + 1)
            if entry is not None:
                found.append(entry)
        found, calibration = without_calibration(found)
        places = run_folders(self.folder, self.out, [entry.path for entry in found])
        tasks = {path: Task(path, place, self.settings, self.overrides) for path, place in places.items()}
        states = {entry.path: self._state(entry, tasks[entry.path], fresh) for entry in found}
        return make_plan(self.folder, self.out, found, tasks, states, calibration)

    def _growing(self, seen: list[Candidate], patience_s: float) -> set[Path]:
        until = time.monotonic() + patience_s
        waiting = [candidate.path for candidate in seen if not self.growth.settled(candidate.path)]
        while waiting and time.monotonic() < until:
            time.sleep(_LOOK_AGAIN_S)
            waiting = [path for path in waiting if not self.growth.settled(path)]
        return set(waiting)

    def _looked(self, candidate: Candidate) -> Found | None:
        path = candidate.path
        beside = (path.parent / "night.toml", sidecar_path(path))
        states = tuple(state_of(entry) for entry in (path, *beside))
        known = self._looks.get(path)
        if known is None or known[0] != states or candidate.fault:
            known = self._looks[path] = (states, look(candidate, self.overrides))
        return known[1]

    def _state(self, found: Found, task: Task, fresh: set[Path]) -> tuple[str, dict[str, Any] | None]:
        if found.path in fresh:
            return GROWING, None
        if found.fault:
            return BAD, None
        states = self._looks[found.path][0]
        known = self._done.get(found.path)
        if known is not None and known[0] == states and task.folder.is_dir():
            return DONE, known[1]
        try:
            metrics = finished_metrics(task)
        except CaptureError:
            return NEW, None  # processing it will tell what is wrong
        if metrics is None:
            return NEW, None
        self._done[found.path] = (states, metrics)
        return DONE, metrics
