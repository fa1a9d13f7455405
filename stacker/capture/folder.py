"""Which files of a folder are its frames."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from stacker.capture.picture_size import picture_kind
from stacker.capture.pictures import natural_order
from stacker.capture.positioned import unreadable
from stacker.capture.sequence import CaptureError
from stacker.counted import counted


def frames_in_folder(folder: Path) -> tuple[str, list[Path], tuple[str, ...]]:
    """Return the kind of frame that prevails (PNG, JPEG, TIFF, FITS), its files in natural order, and notes.

    Hidden files are left out; with a note so are thumbnails, files that are no pictures, and a few of another kind.
    Raises CaptureError where the folder cannot be listed, is a run folder, holds no frame, or so many of two kinds that
    either may be meant.
    """
    try:
        files = [entry for entry in folder.iterdir() if entry.is_file() and not entry.name.startswith(".")]
    except OSError as error:
        raise unreadable(folder, error) from error
    if any(file.name == "metrics.json" for file in files):
        raise CaptureError(folder, "is a run folder", "name the capture that it was made of")
    files.sort(key=lambda file: natural_order(file.name))
    thumbnails = [file for file in files if "thumb" in file.name.casefold() or file.suffix.casefold() == ".thm"]
    kinds = {file: _kind(file) for file in files if file not in thumbnails}
    counts = Counter(kind for kind in kinds.values() if kind)
    if not counts:
        raise CaptureError(
            folder,
            "holds no PNG, TIFF, JPEG or FITS frame",
            "name a folder of frames, or each capture in it; 'stillair night' takes all that are in a folder",
        )
    (prevailing, most), *others = counts.most_common(2)
    if others and 2 * others[0][1] >= most:
        raise CaptureError(
            folder,
            f"holds {most} {prevailing} and {others[0][1]} {others[0][0]} frames",
            "move one kind into a folder of its own",
        )
    frames = [file for file, kind in kinds.items() if kind == prevailing]
    ignored = [file for file in files if file not in frames] if len(frames) < len(files) else []
    if ignored and files[-1] in ignored and not files[-1].stat().st_size and files[-1].suffix == frames[-1].suffix:
        frames.append(ignored.pop())
    return prevailing, frames, _note(ignored)


def _kind(file: Path) -> str:
    try:
        with file.open("rb") as opened:
            return picture_kind(opened.read(16))
    except OSError as error:
        raise unreadable(file, error) from error


def _note(ignored: list[Path]) -> tuple[str, ...]:
    if not ignored:
        return ()
    names = ", ".join(file.name for file in ignored[:3]) + (", ..." if len(ignored) > 3 else "")
    return (f"ignored in the folder: {counted(len(ignored), 'other file')}, {names}",)
