"""Captures that belong together: one target through one telescope and filter, in one sitting."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from stacker.night.found import Found

SITTING_GAP = timedelta(minutes=90)
"""A longer pause begins another sitting: the air and the target's height have changed."""


@dataclass(frozen=True)
class Group:
    """Captures of one target, telescope, filter and sitting, in order of time."""

    target: str | None
    telescope: str | None
    filter: str | None
    evening: date | None
    """Date on which the night began; None where no capture says its time."""
    members: tuple[Found, ...]

    @property
    def begins_utc(self) -> datetime | None:
        """Return when its first capture began."""
        return self.members[0].start_utc

    @property
    def ends_utc(self) -> datetime | None:
        """Return when its last capture ended."""
        last = self.members[-1]
        return None if last.start_utc is None else last.start_utc + timedelta(seconds=last.span_s)

    @property
    def title(self) -> str:
        """Return its name in words."""
        words = [self.target or "target unknown", self.telescope or "telescope unknown"]
        words += [f"filter {self.filter}"] if self.filter else []
        words.append("time unknown" if self.evening is None else f"night of {self.evening}")
        return ", ".join(words)


def group_captures(found: Sequence[Found]) -> list[Group]:
    """Return the groups in order of time, those of unknown time last; every capture is in one of them.

    Where no time is known the folder stands for the sitting.
    """
    alike: dict[tuple[str, ...], list[Found]] = defaultdict(list)
    for entry in found:
        alike[_key(entry)].append(entry)
    groups = [group for members in alike.values() for group in _sittings(members)]
    return sorted(groups, key=lambda group: (_time_key(group.members[0]), group.title))


def evening_of_capture(found: Found) -> date | None:
    """Return the date on which the night of a capture began, by the sun of its site (of Greenwich where unknown)."""
    from stacker.sky.night import evening_of
    from stacker.sky.vectors import Site

    if found.start_utc is None:
        return None
    site = found.circumstances.site
    return evening_of(found.start_utc, Site(site.latitude_deg or 0.0, site.longitude_deg or 0.0))


def _key(found: Found) -> tuple[str, ...]:
    said = found.circumstances
    evening = evening_of_capture(found)
    place = str(found.path.parent) if evening is None else evening.isoformat()
    return *((word or "").casefold() for word in (said.target, said.telescope.name, said.filter)), place


def _sittings(members: list[Found]) -> list[Group]:
    members = sorted(members, key=_time_key)
    parts: list[list[Found]] = [[members[0]]]
    for before, entry in zip(members, members[1:], strict=False):
        if before.start_utc is not None and entry.start_utc is not None:
            pause = entry.start_utc - before.start_utc - timedelta(seconds=before.span_s)
            if pause > SITTING_GAP:
                parts.append([])
        parts[-1].append(entry)
    return [_group(part) for part in parts]


def _group(members: list[Found]) -> Group:
    said = members[0].circumstances
    return Group(said.target, said.telescope.name, said.filter, evening_of_capture(members[0]), tuple(members))


def _time_key(found: Found) -> tuple[bool, float, Path]:
    start = found.start_utc
    return start is None, 0.0 if start is None else start.timestamp(), found.path
