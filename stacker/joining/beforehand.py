"""What can be told of captures that shall become one picture before any of them is processed, which takes minutes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stacker.capture import CaptureError, Circumstances, open_capture
from stacker.colour.filters import Filter, filter_in_name, filter_named
from stacker.joining.filter_sets import in_colour, no_such_filter, three_names, without_filter_name
from stacker.joining.part import Part


def check_filters(
    captures: Sequence[Path],
    circumstances: Circumstances | None,
    runs: Sequence[Part],
    channels: str | None = None,
    luminance: str | None = None,
) -> None:
    """Raise CaptureError where captures and runs cannot become a colour picture, for the first reason found.

    That is a capture behind a mosaic, one without a filter, or a single colour. Raises SettingsError where `channels`
    are not three, or where a filter named there or in `luminance` belongs to none of the captures. A
    capture that cannot be opened is passed over: it is told, and the others used, when its turn comes.
    """
    filters: list[Filter] = []
    for part in runs:
        if part.plane.image.ndim != 2:
            raise in_colour(part.folder)
        if part.filter is None:
            raise without_filter_name(part.folder)
        filters.append(part.filter)
    unread = 0
    for path in captures:
        try:
            with open_capture(path, circumstances) as capture:
                mosaic, said, stem = capture.mosaic, capture.circumstances.filter, capture.name
        except CaptureError:
            unread += 1
            continue
        if mosaic is not None:
            raise in_colour(path)
        entry = filter_named(said) or filter_in_name(stem)[0]
        if entry is None:
            raise without_filter_name(path)
        filters.append(entry)
    first = runs[0].folder if runs else captures[0]
    named = [*(three_names(channels) if channels else []), *([luminance] if luminance else [])]
    names = list(dict.fromkeys(known.name for known in filters))
    if unread or not names:
        return
    for word in named:
        if word.strip().casefold() not in [name.casefold() for name in names]:
            raise no_such_filter(word, names)
    if not channels and len([name for name in names if name not in ("L", luminance)]) < 2:
        told = f"{' and '.join(names)} {'makes' if len(names) == 1 else 'make'} only one colour"
        raise CaptureError(first, told, "add captures through other filters")


def check_exposures(captures: Sequence[Path], circumstances: Circumstances | None, runs: Sequence[Part]) -> None:
    """Raise CaptureError where there is nothing to join a capture with, or where targets are said to differ.

    A capture that cannot be opened is passed over: it is told when its turn comes.
    """
    every = [*captures, *(part.folder for part in runs)]
    if len(every) == 1:
        raise CaptureError(every[0], "is the only exposure", "name two captures of one target")
    targets = [(part.folder, part.target) for part in runs]
    for path in captures:
        try:
            with open_capture(path, circumstances) as capture:
                targets.append((path, capture.circumstances.target))
        except CaptureError:
            continue
    known = [(path, target) for path, target in targets if target]
    for path, target in known[1:]:
        first, other = known[0]
        if target.casefold() != other.casefold():
            raise CaptureError(
                path, f"shows {target}, {first.name} shows {other}", "join captures of one target, or mend the sidecar"
            )
