"""The plan of a night: what was found, in which groups, where each run will stand, and what is done already."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stacker.night.cautions import cautions_of
from stacker.night.found import Found
from stacker.night.groups import Group, group_captures
from stacker.night.task import Task

NEW, DONE, GROWING, BAD = "new", "done", "growing", "bad"
"""States of a planned capture."""


@dataclass(frozen=True)
class Planned:
    """One capture and what is to become of it."""

    found: Found
    state: str
    task: Task
    metrics: Mapping[str, Any] | None = None
    """Of a run that is there already."""

    @property
    def path(self) -> Path:
        """Return the capture's path."""
        return self.found.path


@dataclass(frozen=True)
class Plan:
    """A night as it stands now."""

    folder: Path
    out: Path
    groups: tuple[Group, ...]
    planned: Mapping[Path, Planned]
    """By the capture's path; bad captures included."""
    calibration: tuple[Path, ...]
    """Darks, flats and biases, which sidecars name."""
    cautions: tuple[str, ...]

    def in_state(self, *states: str) -> list[Planned]:
        """Return the captures in any of these states, in order of name."""
        return [self.planned[path] for path in sorted(self.planned) if self.planned[path].state in states]


def make_plan(
    folder: Path,
    out: Path,
    found: Sequence[Found],
    tasks: Mapping[Path, Task],
    states: Mapping[Path, tuple[str, Mapping[str, Any] | None]],
    calibration: Sequence[Path],
) -> Plan:
    """Return the plan of captures whose tasks, states and (where done) metrics are known."""
    groups = group_captures([entry for entry in found if not entry.fault])
    planned = {
        entry.path: Planned(entry, states[entry.path][0], tasks[entry.path], states[entry.path][1]) for entry in found
    }
    return Plan(folder, out, tuple(groups), planned, tuple(calibration), cautions_of(found))


def run_folders(folder: Path, out: Path, captures: Sequence[Path]) -> dict[Path, Path]:
    """Return the run folder of each capture: `out`, the folders between, and the capture's name without ending.

    Where two captures of a folder would share one, or one would hold the runs of a subfolder, each takes its whole
    name, ending included.
    """
    places = {path: _place(folder, out, path) for path in captures}
    claims: dict[str, int] = defaultdict(int)
    parents: set[str] = set()
    for place in places.values():
        claims[str(place).casefold()] += 1
        parents |= {str(parent).casefold() for parent in place.parents}
    for path, place in places.items():
        key = str(place).casefold()
        if claims[key] > 1 or key in parents:
            places[path] = place.with_name(path.name + (".run" if path.is_dir() else ""))
    return places


def _place(folder: Path, out: Path, path: Path) -> Path:
    if path == folder:
        return out / path.absolute().name
    return out / path.relative_to(folder).parent / (path.name if path.is_dir() else path.stem)


def as_record(plan: Plan) -> dict[str, Any]:
    """Return the plan as plain JSON values."""
    return {
        "folder": str(plan.folder),
        "out": str(plan.out),
        "groups": [_group_record(plan, group) for group in plan.groups],
        "bad": [{"capture": str(entry.path), "error": entry.found.fault} for entry in plan.in_state(BAD)],
        "calibration": [str(path) for path in plan.calibration],
        "cautions": list(plan.cautions),
    }


def _group_record(plan: Plan, group: Group) -> dict[str, Any]:
    begins, ends = group.begins_utc, group.ends_utc
    return {
        "target": group.target,
        "telescope": group.telescope,
        "filter": group.filter,
        "night": None if group.evening is None else group.evening.isoformat(),
        "begins_utc": None if begins is None else _utc(begins.isoformat()),
        "ends_utc": None if ends is None else _utc(ends.isoformat()),
        "captures": [_capture_record(plan.planned[entry.path]) for entry in group.members],
    }


def _capture_record(planned: Planned) -> dict[str, Any]:
    found = planned.found
    return {
        "capture": str(found.path),
        "folder": str(planned.task.folder),
        "state": planned.state,
        "frames": found.frames,
        "width_px": found.width_px,
        "height_px": found.height_px,
        "start_utc": None if found.start_utc is None else _utc(found.start_utc.isoformat()),
        "notes": list(found.notes),
    }


def _utc(text: str) -> str:
    return text.replace("+00:00", "Z")
