"""Failures in words: one line on standard error, and the exit status."""

from __future__ import annotations

import os
import sys
import traceback
from pathlib import Path

SOME_FAILED = 1
WRONG_CALL = 2
INTERRUPTED = 130
"""128 + SIGINT, as shells have it."""


def describe(error: Exception, about: Path | str = "stillair") -> str:
    """Return one line for any failure; what we did not foresee names its kind and how to see more."""
    from stacker.capture.sequence import CaptureError
    from stacker.settings import SettingsError

    if isinstance(error, (CaptureError, SettingsError)):
        return _one_line(str(error))
    if isinstance(error, MemoryError):
        return f"{about}: not enough memory; close other programs or use --workers 1"
    what = _one_line(str(error)) or "no more is known"
    return f"{about}: unexpected {type(error).__name__} ({what}); STILLAIR_DEBUG=1 shows where, please report it"


def explain(error: Exception, about: Path | str = "stillair") -> int:
    """Print a failure and return the exit status it stands for."""
    from stacker.settings import SettingsError

    print(describe(error, about), file=sys.stderr)
    if os.environ.get("STILLAIR_DEBUG"):
        traceback.print_exception(error)
    return WRONG_CALL if isinstance(error, SettingsError) else SOME_FAILED


def _one_line(text: str) -> str:
    return " ".join(line.strip() for line in text.splitlines() if line.strip())
