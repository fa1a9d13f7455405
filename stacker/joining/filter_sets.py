"""Captures through several filters, recognised as one target, made one colour picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift
from stacker.capture.sequence import CaptureError
from stacker.colour.luminance import with_luminance
from stacker.colour.plane_set import Plane, moved_plane, register
from stacker.fits_file import Hdu
from stacker.joining.part import Part
from stacker.joining.turning import turned_remark
from stacker.joining.writing import JoinedRun, part_record, write_joined
from stacker.settings import Settings, SettingsError
from stacker.sharpening import tone_for_showing

Real = NDArray[np.float32]
_BEGINNING = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True)
class FilterSet:
    """Parts of one target, each through a filter of its own."""

    name: str
    """What the captures' names share, or the target."""
    parts: tuple[Part, ...]

    def named(self, name: str) -> Part:
        """Return the part with a filter's name. Raises SettingsError where there is none."""
        for part in self.parts:
            if part.name.casefold() == name.strip().casefold():
                return part
        raise no_such_filter(name, [part.name for part in self.parts])


@dataclass(frozen=True)
class Roles:
    """Which part becomes what."""

    channels: tuple[tuple[Part, ...], tuple[Part, ...], tuple[Part, ...]]
    """Parts whose mean is R, G, B."""
    luminance: Part | None

    @property
    def used(self) -> list[Part]:
        """Return the parts in use, each once, the reference for the others first."""
        first = [self.luminance] if self.luminance else []
        every = [*first, *self.channels[1][:1], *(part for channel in self.channels for part in channel)]
        return list({part.folder: part for part in every}.values())


def find_sets(parts: Sequence[Part]) -> list[FilterSet]:
    """Return the sets among parts: one target, filters that differ, in order of time.

    Parts belong together by their target, or by what their names share where no target is known. A filter that comes
    again begins the next set of that target. Raises CaptureError for colour captures and for parts without a filter.
    """
    groups: dict[str, list[Part]] = {}
    for part in sorted(parts, key=lambda part: (part.middle_utc or _BEGINNING, part.folder.name)):
        if part.plane.image.ndim != 2:
            raise in_colour(part.folder)
        if part.filter is None:
            raise without_filter_name(part.folder)
        groups.setdefault((part.target or part.shared_name).casefold(), []).append(part)
    sets = []
    for members in groups.values():
        begun: list[list[Part]] = [[]]
        for part in members:
            if any(part.name == other.name for other in begun[-1]):
                begun.append([])
            begun[-1].append(part)
        sets += [FilterSet(_shared_name(found), tuple(found)) for found in begun]
    return sets


def three_names(channels: str) -> list[str]:
    """Return the filters that words such as "IR,G,B" name. Raises SettingsError unless they are three."""
    names = [name.strip() for name in channels.split(",")]
    if len(names) != 3:
        raise SettingsError(f"the command line: --channels is {channels!r}; name three filters, such as R,G,B")
    return names


def no_such_filter(name: str, known: Sequence[str]) -> SettingsError:
    """Return what is wrong with the name of a filter that no capture of the call has."""
    told = f"none of the captures is through the filter {name.strip()!r}; choose among {', '.join(known)}"
    return SettingsError(f"the command line: {told}")


def in_colour(path: Path) -> CaptureError:
    """Return what is wrong with a colour capture in a set."""
    return CaptureError(path, "is in colour already", "join captures of a mono camera")


def without_filter_name(path: Path) -> CaptureError:
    """Return what is wrong with a capture that does not tell its filter."""
    advice = f'write filter = "R" into its sidecar, or name it like {path.stem}_R'
    return CaptureError(path, "has no filter in its name or sidecar", advice)


def _shared_name(parts: Sequence[Part]) -> str:
    names = {part.shared_name for part in parts}
    return names.pop() if len(names) == 1 and "" not in names else parts[0].target or parts[0].shared_name or "target"


def choose_roles(found: FilterSet, channels: str | None = None, luminance: str | None = None) -> Roles:
    """Return which part becomes R, G, B and luminance.

    `channels` such as "IR,G,B" and `luminance` name filters. Without them L is the luminance; R, G and B are the
    colours where all are there; else the longest wave becomes red, the middle one green, the shortest blue, and of two
    colours green is the mean. Raises CaptureError where there are fewer than two colours, SettingsError where a name is
    not in the set.
    """
    bright = found.named(luminance) if luminance else next((p for p in found.parts if p.name == "L"), None)
    if channels:
        red, green, blue = (found.named(name) for name in three_names(channels))
        return Roles(((red,), (green,), (blue,)), bright)
    by_name = {part.name: part for part in found.parts}
    if {"R", "G", "B"} <= set(by_name):
        return Roles(((by_name["R"],), (by_name["G"],), (by_name["B"],)), bright)
    colours = sorted((p for p in found.parts if p is not bright), key=_wavelength_nm, reverse=True)
    if len(colours) < 2:
        raise CaptureError(
            found.parts[0].folder, "only one colour of this target is there", "add captures through other filters"
        )
    longest, shortest = colours[0], colours[-1]
    middle = (longest, shortest) if len(colours) == 2 else (colours[len(colours) // 2],)
    return Roles(((longest,), middle, (shortest,)), bright)


def _wavelength_nm(part: Part) -> float:
    """Return the said wavelength where it lies in the filter's band, else the band's middle."""
    assert part.filter is not None
    said, (low, high) = part.circumstances.wavelength_nm, part.filter.band_nm
    return said if said is not None and low <= said <= high else part.filter.middle_nm


def join_filters(
    found: FilterSet, out: Path, settings: Settings, channels: str | None = None, luminance: str | None = None
) -> JoinedRun:
    """Write one colour picture of a set into a folder of its own in `out`.

    Every part is laid onto the luminance, or onto green. `stack.fits` holds R, G, B as the camera counted them, with
    every other part of the set in an extension of its name; `finished.fits` is the sharpened picture, with the detail
    of the luminance where there is one. Raises CaptureError for a set that makes no picture, SettingsError for filters
    that it lacks, OutputError.
    """
    roles = choose_roles(found, channels, luminance)
    reference = roles.used[0]
    others = [part for part in found.parts if part not in roles.used]
    shifts = {reference.folder: Shift(0.0, 0.0, 0.0, 1.0)}
    planes = {reference.folder: reference.plane}
    notes: dict[str, str] = {}
    shape = reference.plane.mask.shape
    for part in [*roles.used[1:], *others]:
        shift = register(part.plane, reference.plane)
        if not isfinite(shift.error_px):
            raise CaptureError(part.folder, f"cannot be laid onto {reference.folder.name}", "is it the same target?")
        shifts[part.folder] = shift
        planes[part.folder] = moved_plane(part.plane, shift, (shape[0], shape[1]))
    picture = _picture(roles, planes, reference.plane.mask)
    remark = turned_remark(roles.used, reference.metrics.get("scale_arcsec_per_px"))
    if remark:
        notes["remarks"] = remark
    tone = tone_for_showing(picture.finished, picture.mask, picture.kind, settings.colour, reference.target)
    extra = [Hdu(planes[part.folder].image, {}, part.name) for part in found.parts if _is_extra(part, roles)]
    names = ["+".join(part.name for part in channel) for channel in roles.channels]
    metrics: dict[str, Any] = {
        "colour_gains": None if tone.balance is None else tone.balance.over_green,
        "parts": [part_record(part, shifts[part.folder], _role(part, roles), found.parts) for part in found.parts],
        "notes": notes,
    }
    name = f"{found.name}_{'L' if roles.luminance else ''}{''.join(_letters(c) for c in roles.channels)}"
    return write_joined(out / name, picture, tone.apply(picture.finished), roles.used, metrics, settings, names, extra)


def _picture(roles: Roles, planes: dict[Path, Plane], mask: NDArray[np.bool_]) -> Plane:
    """Return the colour picture on the reference's pixels."""

    def mean(channel: tuple[Part, ...], field: str) -> Real:
        images = [getattr(planes[part.folder], field) for part in channel]
        power = len(images) if field == "variance" else 1
        return np.asarray(sum(images) / np.float32(len(images) * power), np.float32)

    names = ("image", "variance", "coverage", "finished")
    stacked = {field: np.stack([mean(channel, field) for channel in roles.channels], 2) for field in names}
    first = planes[roles.used[0].folder]
    finished = stacked["finished"]
    if roles.luminance is not None:
        finished = with_luminance(planes[roles.luminance.folder].finished, finished, mask, first.kind)
    image, variance, coverage = (stacked[field] for field in names[:3])
    return Plane("RGB", image, variance, coverage, finished, mask, first.kind)


def _letters(channel: tuple[Part, ...]) -> str:
    return channel[0].name if len(channel) == 1 else "m"


def _role(part: Part, roles: Roles) -> str:
    """Return what a part became, such as R, or luminance."""
    taken = [name for name, channel in zip("RGB", roles.channels, strict=True) if part in channel]
    return "+".join([*(["luminance"] if part is roles.luminance else []), *taken]) or "extension"


def _is_extra(part: Part, roles: Roles) -> bool:
    return not any(part in channel for channel in roles.channels)
