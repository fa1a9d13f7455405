"""Where the logbook lies: named by the caller, by STILLAIR_LOGBOOK, or in the user's data folder."""

from __future__ import annotations

import os
import sys
from pathlib import Path

NOWHERE = "none"
"""Given for a file, it says that nothing is to be recorded."""
VARIABLE = "STILLAIR_LOGBOOK"
_FOLDER, _FILE = "stillair", "logbook.sqlite"


def logbook_path(given: Path | str | None = None) -> Path | None:
    """Return the logbook's file: `given`, else STILLAIR_LOGBOOK, else the default; None where either says `none`."""
    named = str(given) if given is not None else os.environ.get(VARIABLE, "")
    if named.strip().lower() == NOWHERE:
        return None
    return Path(named).expanduser() if named.strip() else user_data_folder() / _FOLDER / _FILE


def user_data_folder() -> Path:
    """Return where this system keeps the data of a user's programs.

    Windows: LOCALAPPDATA; macOS: ~/Library/Application Support; else XDG_DATA_HOME, which is ~/.local/share where it is
    not set or not absolute (XDG Base Directory Specification 0.8).
    """
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support"
    told = Path(os.environ.get("XDG_DATA_HOME", ""))
    return told if told.is_absolute() else Path.home() / ".local" / "share"
