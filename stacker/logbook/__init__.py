"""The record of every run, and fair comparison of runs, nights and telescopes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stacker.logbook.database import Logbook, LogbookError, record_run
from stacker.logbook.location import logbook_path
from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.selection import Selection

if TYPE_CHECKING:
    from stacker.logbook.comparison import compare_runs
    from stacker.logbook.comparison_record import Comparison
    from stacker.logbook.run_reading import read_run

__all__ = [
    "Comparison",
    "LoggedRun",
    "Logbook",
    "LogbookError",
    "Measured",
    "Selection",
    "compare_runs",
    "logbook_path",
    "read_run",
    "record_run",
]

_HOMES = {
    "compare_runs": "stacker.logbook.comparison",
    "Comparison": "stacker.logbook.comparison_record",
    "read_run": "stacker.logbook.run_reading",
}
"""Loaded when first asked for: runs are listed without them."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
