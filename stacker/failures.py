"""Any failure in one line."""

from __future__ import annotations

from pathlib import Path


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


def _one_line(text: str) -> str:
    return " ".join(line.strip() for line in text.splitlines() if line.strip())
