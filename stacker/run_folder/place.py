"""Where a run folder goes, and how it gets there: whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from stacker.capture.sequence import CaptureError
from stacker.run_folder.leftovers import beside, clear_leftovers, lock_path, merge_older, remove
from stacker.run_folder.lock import hold, owner_of

RUN_FILES = (
    "stack.fits",
    "stack.tif",
    "finished.fits",
    "finished.png",
    "labelled.png",
    "best_frame.png",
    "frames.csv",
    "curves.json",
    "metrics.json",
    "settings.toml",
)
OPTIONAL_FILES = ("finished.jpg", "report.html")
"""Written where they are asked for; those of an older run go with it."""
_WRITTEN = (*RUN_FILES, *OPTIONAL_FILES)
KEEP_FILES = ("keep.json", "keep.png")
"""What `stillair keep` puts beside them, or alone where there is no run yet."""
_PATIENCE_S = 60.0
"""How long another writer of the same run folder is waited for; writing one takes seconds."""


class OutputError(CaptureError):
    """A run folder cannot be written: which, why, what to do, in one line."""


def check_place(folder: Path) -> None:
    """Find out before the work begins whether a run folder can be written.

    Raises OutputError where something that is not a run folder stands there (a capture among others) or above it, or
    where the system refuses to create it.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise OutputError(folder, "is in the way of the run folder", "choose another --out")
    if folder.is_dir() and not (folder / "metrics.json").is_file() and _foreign(folder):
        raise OutputError(folder, "holds something else than a run", "choose another --out")
    if (blocked := next((above for above in folder.parents if above.is_file()), None)) is not None:
        raise OutputError(blocked, "is a file, not a folder", "choose another --out")
    trial = beside(folder, "try")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        trial.mkdir(exist_ok=True)
        with suppress(FileNotFoundError):  # another writer of this folder has cleared up
            trial.rmdir()
    except OSError as error:
        raise refused(folder, error) from error


def _foreign(folder: Path) -> bool:
    return any(entry.name not in KEEP_FILES for entry in folder.iterdir())


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give a temporary folder beside `folder` that takes its place in the end and is removed on any failure.

    An older run in that place goes only when the new one is whole; files in it that no run writes move over. What a
    killed writer left beside `folder` goes first. The files are on the disk before they appear, so that a power cut
    leaves the older run or the new one. Raises OutputError where the system refuses.
    """
    with _held(folder):
        yield from _replacing(folder)


@contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Be the only writer of a folder, leftovers of others cleared."""
    check_place(folder)
    lock = lock_path(folder)
    try:
        with hold(lock, _PATIENCE_S) as ours:
            if not ours:
                raise OutputError(folder, f"is being written by {owner_of(lock)}", "wait for it, or stop it")
            clear_leftovers(folder, _WRITTEN)
            yield
    except OSError as error:
        raise refused(folder, error) from error


def put_beside(folder: Path, files: Mapping[str, bytes]) -> None:
    """Put files that no run writes into a run folder, which is made where there is none.

    Each appears whole, and none before all are on the disk. Raises OutputError where the system refuses or something
    else than a run stands there.
    """
    with _held(folder):
        temporary = beside(folder, "part")
        try:
            temporary.mkdir()
            for name, content in files.items():
                (temporary / name).write_bytes(content)
            _write_through(temporary)
            folder.mkdir(exist_ok=True)
            for name in files:
                os.replace(temporary / name, folder / name)
            _write_through(folder, files=False)
        finally:
            remove(temporary)


def _replacing(folder: Path) -> Iterator[Path]:
    temporary = beside(folder, "part")
    try:
        temporary.mkdir()
        yield temporary
        _write_through(temporary)
        _swap(temporary, folder)
        _write_through(folder.parent, files=False)
    finally:
        remove(temporary)


def _swap(temporary: Path, folder: Path) -> None:
    if not folder.exists():
        temporary.rename(folder)
        return
    older = beside(folder, "old")
    folder.rename(older)
    try:
        temporary.rename(folder)
    except OSError:
        older.rename(folder)
        raise
    merge_older(older, folder, _WRITTEN)


def _write_through(folder: Path, files: bool = True) -> None:
    """Have the system put a folder's files, and the folder itself where it can be opened, onto the disk."""
    for entry in sorted(folder.iterdir()) if files else []:
        with entry.open("rb+") as file:
            os.fsync(file.fileno())
    if os.name == "nt":
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some network drives cannot for folders
            os.fsync(opened)
    finally:
        os.close(opened)


def refused(folder: Path, error: OSError) -> OutputError:
    """Return the one-line error for a run folder that the system refuses to write."""
    if isinstance(error, PermissionError):
        return OutputError(folder, "writing it is not permitted", "choose another --out")
    # A write that was cut off half way comes without a number from some libraries.
    why = error.strerror or f"the drive took only a part: {error}"
    return OutputError(folder, f"cannot be written ({why})", "free space or choose another --out")
