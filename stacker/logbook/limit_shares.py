"""What stood between runs and the diffraction limit, on average over a group."""

from __future__ import annotations

import numpy as np

from stacker.logbook.columns import Numbers, Whole
from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.runs import Runs

LIMIT_NAMES = ("air", "optics", "sampling", "light", "frames", "rotation", "tracking", "dispersion", "clipping")
"""As the limits of metrics.json are named."""
MEASURED_NAMES = tuple(f"limit_{name}" for name in LIMIT_NAMES)
_WORTH_TELLING = 0.02

Shares = tuple[tuple[str, Measured], ...]


def mean_shares(runs: Runs, number: Whole, count: int) -> list[Shares]:
    """Return each limit and its mean share of the shortfall over the runs that have limits, worst first, by group.

    `number` (N,) is the group of each run, from 0 to `count` - 1. A limit that a run does not name counts as 0. The
    error is that of the mean, from the scatter; of one run its own. Shares under 0.02 are left out.
    """
    columns = {name: runs.measured(f"limit_{name}") for name in LIMIT_NAMES}
    judged = np.any([np.isfinite(column.value) for column in columns.values()], axis=0)
    groups = [np.flatnonzero(judged & (number == group)) for group in range(count)]
    return [_worst_first({name: _mean(columns[name].taken(places)) for name in columns}) for places in groups]


def worst(run: LoggedRun) -> str | None:
    """Return the name of what limited a run most; None where nothing is told of it."""
    (shares,) = mean_shares(Runs.of([run]), np.zeros(1, np.intp), 1)
    return shares[0][0] if shares else None


def _worst_first(shares: dict[str, Measured]) -> Shares:
    told = [(name, share) for name, share in shares.items() if share.value >= _WORTH_TELLING]
    return tuple(sorted(told, key=lambda entry: -entry[1].value))


def _mean(shares: Numbers) -> Measured:
    """Return the mean over the runs of a group, 0 where there are none."""
    if len(shares.value) < 2:
        return (shares.at(0) if len(shares.value) else None) or Measured(0.0)
    told = np.nan_to_num(shares.value)
    return Measured(float(told.mean()), float(told.std(ddof=1) / np.sqrt(len(told))))
