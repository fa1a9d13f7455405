"""What a killed writer leaves beside a run folder, and how it is cleared without touching one that still writes."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path

from stacker.run_folder.lock import hold

RUN_MARKER = "metrics.json"
"""The file by which a folder is known as a run's."""
_TEMPORARY = re.compile(r"\.(?P<name>.+)\.(?:part|try|old)\d+$")
_LOCK = re.compile(r"\.(?P<name>.+)\.(?:lock|work)$")


def beside(folder: Path, purpose: str) -> Path:
    """Return this process's hidden path beside a run folder: `part` (being written), `try`, `old` (being replaced)."""
    return folder.with_name(f".{folder.name}.{purpose}{os.getpid()}")


def lock_path(folder: Path) -> Path:
    """Return the lock that the writer of a run folder holds while it writes."""
    return folder.with_name(f".{folder.name}.lock")


def work_lock_path(folder: Path) -> Path:
    """Return the lock that is held while a capture is worked on whose run folder this will be."""
    return folder.with_name(f".{folder.name}.work")


def clear_leftovers(folder: Path, run_files: Collection[str]) -> None:
    """Remove what killed writers of one run folder left; the caller holds its lock.

    An older run that was being replaced comes back where the new one did not arrive. Raises OSError.
    """
    for entry in sorted(folder.parent.iterdir()):
        found = _TEMPORARY.match(entry.name)
        if found is None or found["name"] != folder.name or not entry.is_dir():
            continue
        if ".old" not in entry.name[len(folder.name) + 1 :]:
            remove(entry)
        elif folder.exists():
            merge_older(entry, folder, run_files)
        else:
            entry.rename(folder)


def sweep(out: Path, run_files: Collection[str]) -> None:
    """Clear the leftovers of every run folder below `out`; those that somebody works on stay.

    Raises OSError where the drive refuses.
    """
    for parent, folders, files in os.walk(out):
        owners = {found["name"] for name in folders if (found := _TEMPORARY.match(name))}
        locks = [name for name in files if _LOCK.match(name)]
        folders[:] = [name for name in folders if name[0] != "." and not (Path(parent) / name / RUN_MARKER).is_file()]
        for name in sorted(owners):
            folder = Path(parent) / name
            with hold(lock_path(folder)) as ours:
                if ours:
                    clear_leftovers(folder, run_files)
        for name in locks:
            with suppress(FileNotFoundError), hold(Path(parent) / name):
                pass  # a lock that nobody holds is removed when it is given back


def merge_older(older: Path, folder: Path, run_files: Collection[str]) -> None:
    """Move what no run writes from a replaced run into its successor, and remove the rest. Raises OSError."""
    for entry in older.iterdir():
        if entry.name not in run_files and not (folder / entry.name).exists():
            entry.rename(folder / entry.name)
    remove(older)


def remove(folder: Path) -> None:
    """Remove a folder with all that is in it, where there is one."""
    if folder.is_dir():
        shutil.rmtree(folder, ignore_errors=True)
