"""Whether a capture is still being recorded or copied: a file is taken when it has stopped growing."""

from __future__ import annotations

import time
from pathlib import Path

State = tuple[int, int, int]
"""Files, bytes and newest change (nanoseconds since 1970) of a capture."""


def state_of(path: Path) -> State:
    """Return the state of a file, or of a folder's files together. What has vanished meanwhile is (0, 0, 0)."""
    try:
        stats = [entry.stat() for entry in path.iterdir() if entry.is_file()] if path.is_dir() else [path.stat()]
    except OSError:
        return 0, 0, 0
    return len(stats), sum(entry.st_size for entry in stats), max((entry.st_mtime_ns for entry in stats), default=0)


class Growth:
    """Watches captures over repeated looks."""

    def __init__(self, quiet_s: float) -> None:
        """Take a capture whose state has not changed for `quiet_s` seconds."""
        self.quiet_s = quiet_s
        self._since: dict[Path, tuple[State, float]] = {}

    def settled(self, path: Path) -> bool:
        """Look once; return whether the capture has been quiet long enough.

        A change long ago by the file's own time counts as well, so that only fresh files are waited for. A drive whose
        clock differs from ours costs a wait of `quiet_s` at most.
        """
        now, state = time.monotonic(), state_of(path)
        before = self._since.get(path)
        if before is None or before[0] != state:
            age_s = time.time() - state[2] / 1e9
            quiet_until_now = min(max(age_s, 0.0), self.quiet_s) if before is None else 0.0
            self._since[path] = (state, now - quiet_until_now)
        return now - self._since[path][1] >= self.quiet_s
