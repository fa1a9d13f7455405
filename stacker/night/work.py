"""The night's work: hands out captures, hears what became of them, and knows what is left."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from stacker.night.budget import fits, memory_mb, threads_for, work_of
from stacker.night.growth import State, state_of
from stacker.night.hands import Hands
from stacker.night.plan import DONE, NEW, Plan, Planned
from stacker.night.task import ALREADY, BUSY, FAILED, LOST, REFUSED, Outcome

_GATHER_S = 0.5
_AGAIN_AFTER_S = 1.0
"""How soon a capture that another call works on is tried again."""
_LIVES = 2
"""How often a capture is tried whose worker dies under it."""

Heard = Callable[[Planned, Outcome], None]


class NightStopped(Exception):
    """The night cannot go on: one line says why and what to do; what is done stays done."""


@dataclass
class Work:
    """What is waiting, what is under way, and what has become of the rest."""

    workers: int
    limit_mb: float | None
    heard: Heard
    """Called with every capture that has come to its end."""
    waiting: list[Planned] = field(default_factory=list)
    running: dict[Path, Planned] = field(default_factory=dict)
    outcomes: dict[Path, Outcome] = field(default_factory=dict)
    _threads: dict[Path, int] = field(default_factory=dict)
    _not_before: dict[Path, float] = field(default_factory=dict)
    _lost: Counter[Path] = field(default_factory=Counter)
    _ended: dict[Path, State] = field(default_factory=dict)
    """State of each capture when it came to its end: one that has grown since is new."""

    def add(self, plan: Plan) -> int:
        """Take what is new in a plan, the largest first; return how many captures that is."""
        ended = {path for path, state in self._ended.items() if state == state_of(path)}
        known = {entry.path for entry in self.waiting} | set(self.running) | ended
        fresh = [entry for entry in plan.in_state(NEW) if entry.path not in known]
        self.waiting = sorted([*self.waiting, *fresh], key=_heaviest_first)
        for entry in plan.in_state(DONE):
            if entry.path not in known:
                self._end(entry, Outcome(ALREADY, f"{entry.path.name}: done already", entry.metrics))
        return len(fresh)

    def step(self, hands: Hands) -> None:
        """Hand out what can be handed out, and hear what has been done meanwhile.

        Raises NightStopped where run folders cannot be written any more.
        """
        free = hands.free()
        while free and (entry := self._next()) is not None:
            self._hand_out(hands, entry)
            free -= 1
        if self.running:
            for task, outcome in hands.gather(_GATHER_S):
                self._hear(self.running.pop(task.path), outcome)
        elif self.waiting:
            time.sleep(_GATHER_S)

    def take_back(self) -> None:
        """Put what is under way among what is waiting: its hands are gone."""
        self.waiting = sorted([*self.waiting, *self.running.values()], key=_heaviest_first)
        self.running.clear()

    @property
    def left(self) -> bool:
        """Return whether anything is waiting or under way."""
        return bool(self.waiting or self.running)

    def _next(self) -> Planned | None:
        now = time.monotonic()
        running_mb = [memory_mb(entry.found, self._threads[path]) for path, entry in self.running.items()]
        for entry in self.waiting:
            if self._not_before.get(entry.path, 0.0) <= now and fits(
                memory_mb(entry.found, self._threads_of(entry)), running_mb, self.limit_mb
            ):
                return entry
        return None

    def _threads_of(self, entry: Planned) -> int:
        unfinished = [work_of(other.found) for other in (*self.waiting, *self.running.values())]
        return threads_for(work_of(entry.found), unfinished, self.workers)

    def _hand_out(self, hands: Hands, entry: Planned) -> None:
        self._threads[entry.path] = threads = self._threads_of(entry)
        self.waiting.remove(entry)
        self.running[entry.path] = entry
        hands.take(entry.task, threads)

    def _hear(self, entry: Planned, outcome: Outcome) -> None:
        if outcome.state == BUSY:
            self._again(entry)
        elif outcome.state == LOST and self._lost[entry.path] + 1 < _LIVES:
            self._lost[entry.path] += 1
            self._again(entry)
        elif outcome.state == LOST:
            words = f"{outcome.words}, {_LIVES} times over; lack of memory is likely: close other programs"
            self._end(entry, Outcome(FAILED, words))
        elif outcome.state == REFUSED:
            raise NightStopped(f"{outcome.words}; then call again: what is done stays done")
        else:
            self._end(entry, outcome)

    def _again(self, entry: Planned) -> None:
        self._not_before[entry.path] = time.monotonic() + _AGAIN_AFTER_S
        self.waiting.append(entry)

    def _end(self, entry: Planned, outcome: Outcome) -> None:
        self.outcomes[entry.path] = outcome
        self._ended[entry.path] = state_of(entry.path)
        self.heard(entry, outcome)


def _heaviest_first(entry: Planned) -> tuple[float, Path]:
    # The small ones fill the gaps at the end, so that all workers come to rest together.
    return -work_of(entry.found), entry.path
