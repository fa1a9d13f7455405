"""Where a run folder goes, and how it gets there: whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stacker.capture.sequence import CaptureError

RUN_FILES = (
    "stack.fits",
    "stack.tif",
    "finished.fits",
    "finished.png",
    "labelled.png",
    "frames.csv",
    "metrics.json",
    "settings.toml",
)


class OutputError(CaptureError):
    """A run folder cannot be written: which, why, what to do, in one line."""


def check_place(folder: Path) -> None:
    """Find out before the work begins whether a run folder can be written.

    Raises OutputError where something that is not a run folder stands there (a capture among others) or where the
    system refuses to create it.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise OutputError(folder, "is in the way of the run folder", "choose another --out")
    if folder.is_dir() and any(folder.iterdir()) and not (folder / "metrics.json").is_file():
        raise OutputError(folder, "holds something else than a run", "choose another --out")
    trial = _beside(folder, "try")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        trial.mkdir(exist_ok=True)
        trial.rmdir()
    except OSError as error:
        raise refused(folder, error) from error


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give a temporary folder beside `folder` that takes its place in the end and is removed on any failure.

    An older run in that place goes only when the new one is whole; files in it that no run writes move over.
    Raises OutputError where the system refuses.
    """
    check_place(folder)
    temporary = _beside(folder, "part")
    try:
        _remove(temporary)
        temporary.mkdir()
        yield temporary
        _swap(temporary, folder)
    except OSError as error:
        raise refused(folder, error) from error
    finally:
        _remove(temporary)


def _swap(temporary: Path, folder: Path) -> None:
    if not folder.exists():
        temporary.rename(folder)
        return
    older = _beside(folder, "old")
    folder.rename(older)
    try:
        temporary.rename(folder)
    except OSError:
        older.rename(folder)
        raise
    for entry in older.iterdir():
        if entry.name not in RUN_FILES:
            entry.rename(folder / entry.name)
    _remove(older)


def _beside(folder: Path, purpose: str) -> Path:
    return folder.with_name(f".{folder.name}.{purpose}{os.getpid()}")


def _remove(folder: Path) -> None:
    if folder.is_dir():
        shutil.rmtree(folder, ignore_errors=True)


def refused(folder: Path, error: OSError) -> OutputError:
    """Return the one-line error for a run folder that the system refuses to write."""
    if isinstance(error, PermissionError):
        return OutputError(folder, "writing it is not permitted", "choose another --out")
    return OutputError(folder, f"cannot be written ({error.strerror or error})", "free space or choose another --out")
