"""Which files and folders below a folder are captures, judged by what they hold."""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from stacker.capture.fits_image import FitsImage
from stacker.capture.opening import is_text
from stacker.capture.picture_size import picture_kind
from stacker.capture.positioned import PositionedFile
from stacker.capture.sequence import CaptureError
from stacker.run_folder.leftovers import RUN_MARKER

FEWEST_STILLS = 3
"""Pictures alike in name that make a sequence; fewer are snapshots."""
_SAMPLE_BYTES = 4096
_VIDEO_ENDINGS = frozenset((".avi", ".mkv", ".mov", ".mp4", ".m4v", ".mpg", ".mpeg", ".webm", ".wmv", ".y4m", ".mts"))
_CLAIMING = _VIDEO_ENDINGS | frozenset((".fits", ".fit", ".fts", ".tif", ".tiff"))
"""Endings whose bearer is reported where it holds no frames; anything else is then just not a capture."""
_ZIP = b"PK\x03\x04"


@dataclass(frozen=True)
class Candidate:
    """A file, or a folder of stills, that should be a capture."""

    path: Path
    claims: bool = True
    """Whether it is an error if no frame is found in it."""
    fault: str = ""
    """What is wrong with it, seen from outside."""


def candidates(folder: Path, out: Path | None = None) -> Iterator[Candidate]:
    """Yield everything below `folder` that may be a capture, in order of name.

    Hidden files and folders, run folders, `out`, sidecars and other text are passed over; stills that lie together are
    one capture, their folder. Raises CaptureError where `folder` cannot be listed.
    """
    if not folder.is_dir():
        raise CaptureError(folder, "is no folder that can be read", "name the folder of the night's captures")
    skipped = None if out is None else _resolved(out)
    for parent, folders, files in os.walk(folder, onerror=_complain):
        here = Path(parent)
        folders[:] = sorted(name for name in folders if name[0] != "." and not _is_out(here / name, skipped))
        if (here / RUN_MARKER).is_file() and here != folder:
            folders.clear()
            continue
        yield from _in_folder(here, sorted(name for name in files if name[0] != "."))


def _in_folder(here: Path, names: list[str]) -> Iterator[Candidate]:
    stills: dict[str, list[Path]] = defaultdict(list)
    for name in names:
        path = here / name
        nature = _nature(path)
        if nature == "still":
            # Stills of one sequence differ in their numbers only.
            stills[re.sub(r"\d+", "#", path.stem)].append(path)
        elif nature:
            yield Candidate(path, nature == "claims")
    sequences = [pattern for pattern, paths in stills.items() if len(paths) >= FEWEST_STILLS]
    if len(sequences) == 1:
        yield Candidate(here)
    elif sequences:
        names_of = ", ".join(sequences[:3]) + (", ..." if len(sequences) > 3 else "")
        fault = f"{here}: holds several sequences of pictures ({names_of}); put each into a folder of its own"
        yield Candidate(here, fault=fault)


def _nature(path: Path) -> str:
    """Return `still`, `claims` or `perhaps` (a capture), or nothing for what is none."""
    claims = path.suffix.casefold() in _CLAIMING
    try:
        with path.open("rb") as file:
            head = file.read(_SAMPLE_BYTES)
    except OSError:
        return "claims" if claims else ""
    kind = picture_kind(head)
    if kind in ("PNG", "JPEG") or (kind and _is_single(path, kind)):
        return "still"
    if kind or claims:
        return "claims"
    return "" if not head or head.startswith(_ZIP) or is_text(head) else "perhaps"


def _is_single(path: Path, kind: str) -> bool:
    """Return whether a FITS or TIFF file holds one frame; the header is read, not the pixels."""
    try:
        if kind == "TIFF":
            return not _has_second_page(path)
        file = PositionedFile(path)
        try:
            return FitsImage(file).axes.count == 1
        finally:
            file.close()
    except (CaptureError, OSError):
        return False


def _has_second_page(path: Path) -> bool:
    """Return whether the first directory of a TIFF points to a second (TIFF 6.0, section 2; its 64-bit form alike)."""
    with path.open("rb") as file:
        head = file.read(16)
        order = "little" if head[:1] == b"I" else "big"
        large = 43 in (head[2], head[3])
        place_at, offset_bytes, count_bytes, entry_bytes = (8, 8, 8, 20) if large else (4, 4, 2, 12)
        place = int.from_bytes(head[place_at : place_at + offset_bytes], order)  # type: ignore[arg-type]
        file.seek(place)
        entries = int.from_bytes(file.read(count_bytes), order)  # type: ignore[arg-type]
        file.seek(place + count_bytes + entries * entry_bytes)
        return any(file.read(offset_bytes))


def _complain(error: OSError) -> None:
    raise CaptureError(str(error.filename), f"cannot be listed ({error.strerror})", "check the drive and its rights")


def _resolved(path: Path) -> Path:
    return Path(os.path.realpath(path))


def _is_out(path: Path, out: Path | None) -> bool:
    return out is not None and _resolved(path) == out
