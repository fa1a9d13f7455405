"""Where masters are kept between runs: a convenience that no result depends on."""

from __future__ import annotations

import os
import sys
from pathlib import Path

MOST_BYTES = 1 << 30
"""Of all masters kept; the ones unused for longest go first."""


def cache_folder() -> Path:
    """Return STILLAIR_CACHE where it is set, else the user's own folder for such files on this system.

    XDG_CACHE_HOME or ~/.cache, on macOS ~/Library/Caches, on Windows %LOCALAPPDATA% (common practice, no source).
    """
    chosen = os.environ.get("STILLAIR_CACHE")
    if chosen:
        return Path(chosen)
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA")
        return (Path(local) if local else Path.home() / "AppData" / "Local") / "stillair" / "cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "stillair"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "stillair"


def make_room(folder: Path) -> None:
    """Delete the masters that were used longest ago until all together are small enough.

    Raises OSError where the system refuses.
    """
    kept = [(entry, entry.stat()) for entry in folder.glob("*.fits")]
    kept.sort(key=lambda pair: pair[1].st_mtime, reverse=True)
    total = 0
    for entry, state in kept:
        total += state.st_size
        if total > MOST_BYTES:
            entry.unlink(missing_ok=True)
