"""Which runs stand for the groups of a comparison where pictures are shown: typical ones, of one target."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from stacker.logbook.comparison_record import Comparison
from stacker.logbook.logged_run import LoggedRun


def typical_runs(told: Comparison) -> tuple[tuple[str, LoggedRun], ...]:
    """Return label and run of each group that has the target which most groups have, in the order of the groups.

    A group's run is its median in resolution over the diffraction limit; only run folders that are still there count.
    """
    present = [(group.label, [run for run in group.runs if run.folder.is_dir()]) for group in told.groups]
    targets = Counter(name for _, runs in present for name in {_target(run) for run in runs})
    if not targets:
        return ()
    target = max(targets, key=lambda name: (targets[name], name))
    chosen = [(label, [run for run in runs if _target(run) == target]) for label, runs in present]
    return tuple((label, _median(runs)) for label, runs in chosen if runs)


def _target(run: LoggedRun) -> str:
    return (run.target or "").casefold()


def _median(runs: Sequence[LoggedRun]) -> LoggedRun:
    ranked = sorted(runs, key=lambda run: (run.value("resolution_over_diffraction") or float("inf"), run.id))
    return ranked[(len(ranked) - 1) // 2]
