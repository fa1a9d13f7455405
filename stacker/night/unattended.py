"""A night from the first look to the last capture."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stacker.night.cluster import ClusterGone
from stacker.night.hands import Hands
from stacker.night.plan import GROWING, Plan
from stacker.night.scout import Scout
from stacker.night.work import NightStopped, Work
from stacker.run_folder.leftovers import sweep
from stacker.run_folder.place import OPTIONAL_FILES, RUN_FILES, OutputError, refused

_PAUSE_S = 0.5


@dataclass(frozen=True)
class Watch:
    """How captures that still arrive are waited for."""

    every_s: float = 5.0
    """Time between looks into the folder."""
    idle_s: float | None = None
    """The night ends when nothing has come for so long; None: when it is interrupted."""


def run_night(
    scout: Scout,
    plan: Plan,
    work: Work,
    hands: Hands,
    own_hands: Callable[[], Hands],
    watch: Watch | None = None,
    say: Callable[[str], None] = lambda words: None,
) -> Plan:
    """Process what a plan holds, and with `watch` what arrives meanwhile; return the last plan.

    Where a cluster is lost, `say` is told and `own_hands` go on. Raises NightStopped where run folders cannot be
    written or the folder of captures or of runs has gone, CaptureError where the captures cannot be listed.
    """
    clear(plan.out)
    places = [_Place(scout.folder), _Place(plan.out)]
    work.add(plan)
    try:
        plan = _all_of(scout, plan, work, hands, watch, places)
    except ClusterGone as error:
        say(f"{error}; this machine goes on alone")
        work.take_back()
        plan = _all_of(scout, plan, work, own_hands(), watch, places)
    finally:
        _clear_quietly(plan.out)
    return plan


def _all_of(scout: Scout, plan: Plan, work: Work, hands: Hands, watch: Watch | None, places: Sequence[_Place]) -> Plan:
    with hands:
        news_s = looked_s = time.monotonic()
        while True:
            if work.left:
                work.step(hands)
                news_s = time.monotonic()
            for place in places:
                place.check()
            now = time.monotonic()
            over = watch is None or (watch.idle_s is not None and now - news_s >= watch.idle_s)
            if watch is not None and (over or now - looked_s >= watch.every_s):
                plan, looked_s = scout.look_around(), now
                if work.add(plan) or plan.in_state(GROWING):
                    news_s, over = now, False
            if over and not work.left:
                return plan
            if watch is not None and not work.left:
                time.sleep(min(_PAUSE_S, watch.every_s))


def clear(out: Path) -> None:
    """Clear what killed calls left in `out`, and find out whether it can be written. Raises OutputError."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        sweep(out, (*RUN_FILES, *OPTIONAL_FILES))
    except OSError as error:
        raise refused(out, error) from error


def _clear_quietly(out: Path) -> None:
    with suppress(OutputError):  # what made it unwritable has been told
        clear(out)


class _Place:
    """A folder that must stay what it was: of a drive that has gone the empty mount point may be left, or made anew by
    a worker, and nobody would look for a run under it."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._was = folder, _identity(folder)

    def check(self) -> None:
        """Raise NightStopped where the folder is gone."""
        now = _identity(self._folder)
        # Only both together: some network drives number their folders anew, some are mounted anew.
        if now is None or self._was is None or not any(one == other for one, other in zip(now, self._was, strict=True)):
            words = "is gone; bring the drive back, then call again: what is done stays done"
            raise NightStopped(f"{self._folder}: {words}")


def _identity(folder: Path) -> tuple[int, int] | None:
    """Return the numbers of the drive and, on it, of the folder; None where it is not there."""
    try:
        told = folder.stat()
    except OSError:
        return None
    return told.st_dev, told.st_ino
