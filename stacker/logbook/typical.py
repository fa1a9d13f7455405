"""Which runs stand for the groups of a comparison where pictures are shown: typical ones, of one target."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from stacker.logbook.comparison_record import Comparison
from stacker.logbook.grouping import is_setting
from stacker.logbook.logged_run import LoggedRun

Key = Callable[[LoggedRun], tuple[str | None, ...]]


def typical_runs(told: Comparison) -> tuple[tuple[str, LoggedRun], ...]:
    """Return label and run of each group that has the target which most groups have, in the order of the groups.

    Of the same night where most have it, of the same telescope where nights are compared, of the same capture where
    settings are. A group's run is its median in resolution over the diffraction limit; only run folders that are still
    there count.
    """
    present = [(group.label, [run for run in group.runs if run.folder.is_dir()]) for group in told.groups]
    present = _sharing(present, _target, strictly=True)
    present = _sharing(present, _beside(told.by))
    return tuple((label, _median(runs)) for label, runs in present if runs)


def _target(run: LoggedRun) -> tuple[str | None, ...]:
    return (run.target or "").casefold(), run.kind


def _beside(by: str) -> Key:
    if is_setting(by):
        return lambda run: (run.capture_sha256 or run.capture,)
    return (lambda run: (run.telescope,)) if by in ("night", "site") else (lambda run: (run.night,))


def _sharing(
    groups: Sequence[tuple[str, list[LoggedRun]]], key: Key, *, strictly: bool = False
) -> list[tuple[str, list[LoggedRun]]]:
    """Return the groups with the runs whose key most groups have; `strictly` leaves other groups empty."""
    often = Counter(name for _, runs in groups for name in {key(run) for run in runs})
    if not often:
        return list(groups)
    wanted = max(often, key=lambda name: (often[name], tuple(part or "" for part in name)))
    chosen = [(label, [run for run in runs if key(run) == wanted], runs) for label, runs in groups]
    return [(label, fits if fits or strictly else runs) for label, fits, runs in chosen]


def _median(runs: Sequence[LoggedRun]) -> LoggedRun:
    ranked = sorted(runs, key=lambda run: (run.value("resolution_over_diffraction") or float("inf"), run.id))
    return ranked[(len(ranked) - 1) // 2]
