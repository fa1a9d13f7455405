"""Runs by what is to be compared: telescopes, nights, settings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import fields
from functools import lru_cache
from typing import Any

from stacker.logbook.logged_run import LoggedRun
from stacker.settings import SettingsError
from stacker.settings_file import stage_classes

_OF_RUN: dict[str, Callable[[LoggedRun], Any]] = {
    "run": lambda run: run.id,
    "telescope": lambda run: run.telescope,
    "night": lambda run: run.night,
    "target": lambda run: run.target,
    "site": lambda run: run.site,
    "camera": lambda run: run.camera,
    "filter": lambda run: run.filter or "none",
    "version": lambda run: run.software_version,
    "capture": lambda run: run.capture_sha256 or run.capture,
    "kind": lambda run: run.kind,
}

_ONLY_BLOCKS = ("capture", "kind")
"""What must be alike, and is nothing to compare by."""


def choices() -> tuple[str, ...]:
    """Return the names of everything that runs can be compared by."""
    return (*(name for name in _OF_RUN if name not in _ONLY_BLOCKS), *_settings())


def is_setting(name: str) -> bool:
    """Return whether what is compared is how the same capture was processed."""
    return name == "version" or name in _settings()


def value_of(run: LoggedRun, name: str) -> str | None:
    """Return what a run is as to `name`, in words; None where it does not say.

    Raises SettingsError for a name that is neither a circumstance nor a setting.
    """
    read = _OF_RUN.get(name)
    told = run.settings.get(_stage_of(name), {}).get(name) if read is None else read(run)
    if told is None:
        return None
    return f"{told:g}" if isinstance(told, float) else str(told)


def grouped(runs: Sequence[LoggedRun], by: str) -> dict[str, list[LoggedRun]]:
    """Return the runs of each value of `by`, in order of value; by run, in the order given."""
    if by == "run":
        return {label: [run] for label, run in zip(_names(runs), runs, strict=True)}
    found: dict[str, list[LoggedRun]] = {}
    for run in runs:
        found.setdefault(_label(run, by), []).append(run)
    return dict(sorted(found.items(), key=lambda item: _in_order(item[0])))


def _names(runs: Sequence[LoggedRun]) -> list[str]:
    """Return the names of run folders, with the id where two are alike."""
    often = Counter(run.folder.name for run in runs)
    return [run.folder.name if often[run.folder.name] == 1 else f"{run.folder.name} {run.id[:8]}" for run in runs]


def _label(run: LoggedRun, by: str) -> str:
    told = value_of(run, by)
    if told is None:
        return f"{by} not known"
    return f"{by} {told}" if is_setting(by) else told


def _in_order(label: str) -> tuple[str, float, str]:
    """Return a key that puts `keep 20` before `keep 100`."""
    head, _, tail = label.rpartition(" ")
    try:
        return head, float(tail), ""
    except ValueError:
        return label, 0.0, label


@lru_cache(maxsize=1)
def _settings() -> dict[str, str]:
    """Return the stage of each setting."""
    return {item.name: stage for stage, kind in stage_classes().items() for item in fields(kind)}  # type: ignore[arg-type]


def _stage_of(name: str) -> str:
    known = _settings()
    if name not in known:
        raise SettingsError(f"runs cannot be compared by '{name}'; known are {', '.join(choices())}")
    return known[name]
