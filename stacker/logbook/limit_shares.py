"""What stood between runs and the diffraction limit, on average over a group."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stacker.logbook.logged_run import LoggedRun, Measured

LIMIT_NAMES = ("air", "optics", "sampling", "light", "frames", "rotation", "tracking", "dispersion", "clipping")
"""As the limits of metrics.json are named."""
MEASURED_NAMES = tuple(f"limit_{name}" for name in LIMIT_NAMES)
_WORTH_TELLING = 0.02

Shares = tuple[tuple[str, Measured], ...]


def mean_shares(runs: Sequence[LoggedRun]) -> Shares:
    """Return each limit and its mean share of the shortfall over the runs that have limits, worst first.

    A limit that a run does not name counts as 0. The error is that of the mean, from the scatter; of one run its own.
    Shares under 0.02 are left out.
    """
    judged = [run for run in runs if any(name in run.measured for name in MEASURED_NAMES)]
    found = [(name, _mean(judged, f"limit_{name}")) for name in LIMIT_NAMES] if judged else []
    told = [(name, share) for name, share in found if share.value >= _WORTH_TELLING]
    return tuple(sorted(told, key=lambda entry: -entry[1].value))


def worst(run: LoggedRun) -> str | None:
    """Return the name of what limited a run most; None where nothing is told of it."""
    shares = mean_shares([run])
    return shares[0][0] if shares else None


def _mean(runs: Sequence[LoggedRun], name: str) -> Measured:
    if len(runs) == 1:
        return runs[0].measured.get(name, Measured(0.0))
    shares = np.array([run.value(name) or 0.0 for run in runs])
    return Measured(float(shares.mean()), float(shares.std(ddof=1) / np.sqrt(len(shares))))
