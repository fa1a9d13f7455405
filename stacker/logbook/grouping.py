"""Runs by what is to be compared: telescopes, nights, settings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import fields
from functools import lru_cache
from pathlib import Path

import numpy as np

from stacker.logbook.columns import Texts, Whole
from stacker.logbook.runs import Runs
from stacker.settings import SettingsError
from stacker.settings_file import stage_classes

_OF_RUN: dict[str, Callable[[Runs], Texts]] = {
    "run": lambda runs: runs.texts("id"),
    "telescope": lambda runs: runs.texts("telescope"),
    "night": lambda runs: runs.texts("night"),
    "target": lambda runs: runs.texts("target"),
    "site": lambda runs: runs.texts("site"),
    "camera": lambda runs: runs.texts("camera"),
    "filter": lambda runs: runs.texts("filter").each(lambda name: name or "none"),
    "version": lambda runs: runs.texts("software_version"),
    "capture": lambda runs: _captures(runs),
    "kind": lambda runs: runs.texts("kind"),
}

_ONLY_BLOCKS = ("capture", "kind")
"""What must be alike, and is nothing to compare by."""


def choices() -> tuple[str, ...]:
    """Return the names of everything that runs can be compared by."""
    return tuple(dict.fromkeys((*(name for name in _OF_RUN if name not in _ONLY_BLOCKS), *_settings())))


def is_setting(name: str) -> bool:
    """Return whether what is compared is how the same capture was processed."""
    return name == "version" or name in _settings()


def words_of(runs: Runs, name: str) -> Texts:
    """Return what each run is as to `name`, in words; None where it does not say.

    Raises SettingsError for a name that is neither a circumstance nor a setting.
    """
    read = _OF_RUN.get(name)
    told = runs.setting(_stage_of(name), name) if read is None else read(runs)
    return told.each(lambda word: f"{word:g}" if isinstance(word, float) else word if word is None else str(word))


def grouped(runs: Runs, by: str) -> dict[str, Whole]:
    """Return the places of the runs of each value of `by`, in order of value; by run, in the order given."""
    if by == "run":
        return {label: np.array([place]) for place, label in enumerate(_names(runs))}
    told = words_of(runs, by).each(lambda word: _label(word, by))
    found = {label: np.flatnonzero(told.codes == code) for code, label in enumerate(told.labels)}
    return {label: found[label] for label in sorted(found, key=_in_order) if len(found[label])}


def _captures(runs: Runs) -> Texts:
    """Return what tells captures apart: the hash, the name where it is not known."""
    told = zip(runs.told("capture_sha256"), runs.told("capture"), strict=True)
    return Texts.of([digest or name for digest, name in told])


def _names(runs: Runs) -> list[str]:
    """Return the names of run folders, with the id where two are alike."""
    names = [Path(folder).name for folder in runs.told("folder")]
    often = Counter(names)
    return [name if often[name] == 1 else f"{name} {id[:8]}" for name, id in zip(names, runs.told("id"), strict=True)]


def _label(word: str | None, by: str) -> str:
    if word is None:
        return f"{by} not known"
    return f"{by} {word}" if is_setting(by) else word


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
