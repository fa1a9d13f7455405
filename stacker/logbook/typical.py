"""Which runs stand for the groups of a comparison where pictures are shown: typical ones, of one target."""

from __future__ import annotations

import os

import numpy as np

from stacker.logbook.columns import Texts, Truth, Whole
from stacker.logbook.comparison_record import Comparison
from stacker.logbook.grouping import is_setting, words_of
from stacker.logbook.logged_run import LoggedRun
from stacker.logbook.runs import Runs


def typical_runs(told: Comparison) -> tuple[tuple[str, LoggedRun], ...]:
    """Return label and run of each group that has the target which most groups have, in the order of the groups.

    Of the same night where most have it, of the same telescope where nights are compared, of the same capture where
    settings are. A group's run is its typical one; only run folders that are still there count.
    """
    number = np.repeat(np.arange(len(told.groups)), [len(group.runs) for group in told.groups])
    present = np.fromiter(map(os.path.isdir, told.runs.told("folder")), np.bool_, len(number))
    runs, number = told.runs.taken(present), number[present]
    fits = _shared(_targets(runs), number)
    runs, number = runs.taken(fits), number[fits]
    fits = _shared(words_of(runs, _beside(told.by)), number)
    fits |= ~np.isin(number, number[fits])
    runs, number = runs.taken(fits), number[fits]
    return tuple((told.groups[place].label, typical_run(runs.taken(number == place))) for place in np.unique(number))


def _targets(runs: Runs) -> Texts:
    told = zip(runs.told("target"), runs.told("kind"), strict=True)
    return Texts.of([((target or "").casefold(), kind or "") for target, kind in told])


def _beside(by: str) -> str:
    if is_setting(by):
        return "capture"
    return "telescope" if by in ("night", "site") else "night"


def _shared(told: Texts, number: Whole) -> Truth:
    """Return which runs say what runs of most groups say; of several such things the last in order."""
    groups_of = [(len(np.unique(number[told.codes == code])), label or "") for code, label in enumerate(told.labels)]
    wanted = max(range(len(groups_of)), key=groups_of.__getitem__, default=-1)
    fits: Truth = told.codes == wanted
    return fits


def typical_run(runs: Runs) -> LoggedRun:
    """Return the run that is the median in resolution over the diffraction limit."""
    over = np.nan_to_num(runs.measured("resolution_over_diffraction").positive().value, nan=np.inf)
    names = runs.told("id")
    ranked = sorted(range(len(runs)), key=lambda place: (over[place], names[place]))
    return runs[ranked[(len(ranked) - 1) // 2]]
