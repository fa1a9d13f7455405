"""The logbook made again from run folders: it is never the only copy."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from stacker.capture.sequence import CaptureError
from stacker.logbook.database import Logbook, LogbookError
from stacker.logbook.logged_run import LoggedRun
from stacker.logbook.run_reading import read_run

_AT_ONCE = 500


def rebuild(logbook: Path, folders: Sequence[Path], failed: Callable[[CaptureError], None]) -> int:
    """Record every run folder below `folders`; runs on record stay, the same run replaces its record.

    `failed` is told of each run folder that cannot be read; the others are recorded. A file that is damaged or no
    logbook is moved aside first. Return how many runs were recorded. Raises LogbookError where the logbook cannot be
    written.
    """
    _move_aside_if_damaged(logbook)
    count = 0
    with Logbook(logbook) as book:
        runs: list[LoggedRun] = []
        for folder in run_folders(folders):
            try:
                runs.append(read_run(folder))
            except CaptureError as error:
                failed(error)
            if len(runs) == _AT_ONCE:
                count += book.record(runs)
                runs = []
        return count + book.record(runs)


def run_folders(folders: Sequence[Path]) -> Iterator[Path]:
    """Yield every folder below `folders` that holds a metrics.json, each once, in order of name.

    Hidden folders are unfinished work and stay out. Raises CaptureError for a folder that is none.
    """
    seen: set[Path] = set()
    for top in folders:
        if not top.is_dir():
            raise CaptureError(top, "is no folder", "name one that holds run folders")
        for name, below, files in os.walk(top.absolute()):
            below[:] = sorted(entry for entry in below if not entry.startswith("."))
            folder = Path(name)
            if "metrics.json" in files and folder not in seen:
                seen.add(folder)
                yield folder


def _move_aside_if_damaged(path: Path) -> None:
    """Rename a file that SQLite cannot read, with its companions, to `<name>.damaged`; nothing is deleted."""
    if not path.is_file():
        return
    try:
        with Logbook(path) as book:
            damaged = bool(book.complaints())
    except LogbookError as error:
        damaged = "is damaged" in str(error) or "is no logbook" in str(error)
    if damaged:
        number = next(n for n in range(1, 10000) if not _aside(path, n).exists())
        for ending in ("", "-wal", "-shm"):
            part = path.with_name(path.name + ending)
            if part.exists():
                part.rename(_aside(path, number).with_name(_aside(path, number).name + ending))


def _aside(path: Path, number: int) -> Path:
    return path.with_name(f"{path.name}.damaged{number}")
