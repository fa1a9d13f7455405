"""Failures in words: one line on standard error, and the exit status."""

from __future__ import annotations

import os
import sys
import traceback
from pathlib import Path

from stacker.failures import describe

__all__ = ["INTERRUPTED", "SOME_FAILED", "WRONG_CALL", "describe", "explain"]

SOME_FAILED = 1
WRONG_CALL = 2
INTERRUPTED = 130
"""128 + SIGINT, as shells have it."""


def explain(error: Exception, about: Path | str = "stillair") -> int:
    """Print a failure and return the exit status it stands for."""
    from stacker.settings import SettingsError

    print(describe(error, about), file=sys.stderr)
    if os.environ.get("STILLAIR_DEBUG"):
        traceback.print_exception(error)
    return WRONG_CALL if isinstance(error, SettingsError) else SOME_FAILED
