"""The end of a night: what each capture reached, and which of them look doubtful."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stacker.night.plan import BAD, Plan, as_record
from stacker.night.strangers import shown_in, strangers
from stacker.night.task import Outcome


def doubtful(plan: Plan, outcomes: Mapping[Path, Outcome]) -> dict[Path, str]:
    """Return the finished captures that look unlike the others of their target, each with one sentence."""
    return strangers(
        [
            shown_in(planned.found, planned.task.folder, outcome.metrics)
            for path, outcome in sorted(outcomes.items())
            if outcome.metrics is not None and (planned := plan.planned.get(path)) is not None
        ]
    )


def closing_record(plan: Plan, outcomes: Mapping[Path, Outcome], odd: Mapping[Path, str]) -> dict[str, Any]:
    """Return the plan as plain JSON values, each capture with its outcome."""
    record = as_record(plan)
    for group in record["groups"]:
        for capture in group["captures"]:
            path = Path(capture["capture"])
            outcome = outcomes.get(path)
            capture["outcome"] = None if outcome is None else outcome.state
            capture["error"] = outcome.words if outcome is not None and outcome.metrics is None else None
            capture["metrics"] = None if outcome is None else outcome.metrics
            capture["doubtful"] = odd.get(path)
    return record


def failures_of(plan: Plan, outcomes: Mapping[Path, Outcome]) -> list[tuple[str, str]]:
    """Return the name and the complaint of every capture of the night that has no run, in order of path."""
    told = {entry.path: entry.found.fault for entry in plan.in_state(BAD)}
    told |= {path: outcome.words for path, outcome in outcomes.items() if outcome.metrics is None}
    return [(path.name, told[path]) for path in sorted(told)]
