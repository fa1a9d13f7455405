"""The first pass over a capture: every frame looked at once, ranked, placed and checked."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from itertools import cycle, islice, pairwise
from typing import Any

import numpy as np

from stacker.capture import Capture, CaptureError
from stacker.capture.each_frame import read_or_pass
from stacker.capture.sequence import Frame
from stacker.parallel import forked_map
from stacker.ranking.cells import lay_cells
from stacker.ranking.faults import Notes, difference, find_copies, judge
from stacker.ranking.glance import Glances
from stacker.ranking.record import Ranking
from stacker.ranking.scouting import Scouting, scout
from stacker.ranking.survey import Frames, Surveyor
from stacker.settings import RankingSettings

Progress = Callable[[int, int], None]
BATCH = 8
"""Frames that are looked at together."""
BATCH_BYTES = 1 << 24
"""Most that they may take as stored; of large frames fewer are looked at together."""
BATCHES = 3
"""So many are handed on together: handing on costs as much as half a frame."""


def rank(capture: Capture, settings: RankingSettings, workers: int = 1, progress: Progress | None = None) -> Ranking:
    """Look at every frame once and return its sharpness, place, brightness and faults.

    `progress(done, total)` is called after every few frames, from the caller's thread. The result does not depend on
    `workers`.

    Raises CaptureError where no frame is usable, or no target stands out of the noise.
    """
    capture.decode_once()
    ranking = _survey(capture, scout(capture, settings, workers=workers), workers, progress)
    if ranking.reason[ranking.anchor]:
        # The scouts were misled by a broken frame: look again without those that the pass has found.
        broken = frozenset(np.flatnonzero(~ranking.usable).tolist())
        if len(broken) < len(capture):
            ranking = _survey(capture, scout(capture, settings, broken, workers), workers, progress)
    if not ranking.usable.any():
        words = ", ".join(sorted(set(ranking.reason)))
        raise CaptureError(capture.path, f"no frame can be used ({words})", "record it again")
    return ranking


def _survey(capture: Capture, scouting: Scouting, workers: int, progress: Progress | None) -> Ranking:
    surveyor = Surveyor(capture, scouting, lay_cells(scouting.target, scouting.binning, len(capture)))
    table = _Table(len(capture), surveyor.grid)
    done, before = 0, None
    for glances in _glances(capture, surveyor, workers):
        table.enter(done, glances, difference(glances.first_sample, before))
        done, before = done + glances.count, glances.last_sample
        if progress is not None:
            progress(done, len(capture))
    least_noise_adu = float(np.sqrt(scouting.noise.variance(float(np.percentile(surveyor.template.level, 10)))))
    return table.close(scouting, _noise_at_target(scouting, surveyor), least_noise_adu)


def _noise_at_target(scouting: Scouting, surveyor: Surveyor) -> float:
    cells, template = surveyor.cells, surveyor.template
    level = float((template.level * cells.target).sum() / max(float(cells.target.sum()), 1e-9))
    return float(np.sqrt(scouting.noise.variance(level)))


def _glances(capture: Capture, surveyor: Surveyor, workers: int) -> Iterator[Glances]:
    """Yield glances at all frames in order; readers that must decode in sequence are read in the caller's thread."""
    frame_bytes = capture.dtype.itemsize * int(np.prod(capture.shape))
    batch = max(1, min(BATCH, BATCH_BYTES // frame_bytes))
    if not capture.has_random_access:
        return forked_map(lambda few: surveyor.glance(*few), _sequence(capture, batch), workers)
    reader = _DirectReader(capture, surveyor, batch)
    step = BATCHES * batch
    stretches = (range(first, min(first + step, len(capture))) for first in range(0, len(capture), step))
    return forked_map(reader.take, stretches, workers)


def _sequence(capture: Capture, batch: int) -> Iterator[tuple[list[int], Frames]]:
    """Yield `(indices, frames)` of a few frames each, None for one that cannot be read; reading goes on behind it."""
    frames = read_or_pass(capture, range(len(capture)))
    while few := list(islice(frames, batch)):
        yield [index for index, _ in few], [frame for _, frame in few]


class _DirectReader:
    """Reads a few frames into buffers of each thread."""

    def __init__(self, capture: Capture, surveyor: Surveyor, batch: int) -> None:
        self._capture, self._surveyor, self._batch = capture, surveyor, batch
        self._threads = threading.local()

    def take(self, indices: range) -> Glances:
        """Read some frames and glance at them, a few at a time."""
        if not hasattr(self._threads, "frames"):
            kept = self._batch if self._surveyor.keeps_frames else 1
            self._threads.frames = np.empty((kept, *self._capture.shape), self._capture.dtype)
        few = [self._glance(indices[first : first + self._batch]) for first in range(0, len(indices), self._batch)]
        for before, after in pairwise(few):
            after.difference[0] = difference(after.first_sample, before.last_sample)
        return Glances.joined(few)

    def _glance(self, indices: range) -> Glances:
        frames = map(self._read, indices, cycle(self._threads.frames))
        return self._surveyor.glance(indices, frames)

    def _read(self, index: int, buffer: Frame) -> Frame | None:
        try:
            return self._capture.get_frame(index, out=buffer)
        except (CaptureError, OSError):
            return None


class _Table:
    """Columns of notes, filled row by row."""

    def __init__(self, frames: int, grid: Iterable[int]) -> None:
        self.shift_px = np.full((frames, 2), np.nan)
        self.patches = np.full((frames, *grid), np.nan, dtype=np.float32)
        self.sharpness = np.full(frames, np.nan)
        self.differences = np.full(frames, np.nan)
        names = ("not_finite", "quality", "significance", "brightness", "misfit", "local_misfit", "row_jump")
        more = ("roughness", "covered", "clipped")
        self.numbers = {name: np.zeros(frames) for name in (*names, *more)}
        self.flags = {name: np.zeros(frames, dtype=bool) for name in ("readable", "blank")}

    def enter(self, first: int, glances: Glances, difference_adu: float) -> None:
        """Note a few frames, the first of which differs from the one before by `difference_adu`."""
        rows = slice(first, first + glances.count)
        self.shift_px[rows], self.sharpness[rows] = glances.shift_px, glances.sharpness
        self.patches[rows], self.differences[rows] = glances.patches, glances.difference
        self.differences[first] = difference_adu
        for name, column in (*self.numbers.items(), *self.flags.items()):
            column[rows] = getattr(glances, name)

    def close(self, scouting: Scouting, noise_adu: float, least_noise_adu: float) -> Ranking:
        """Judge all frames and return the ranking."""
        columns: dict[str, Any] = {**self.flags, **self.numbers}
        notes = Notes(copied=find_copies(self.differences, least_noise_adu), **columns)
        reason = judge(notes, scouting.target.kind)
        usable = np.array([not word for word in reason])
        self.sharpness[~np.isfinite(self.sharpness)] = np.nan
        clipped = float(notes.clipped[usable].mean()) if usable.any() else float(notes.clipped.mean())
        return Ranking(
            target=scouting.target,
            anchor=_original(scouting.anchor, reason),
            sharpness=self.sharpness,
            patch_sharpness=self.patches,
            brightness=notes.brightness,
            coarse_shift_px=self.shift_px,
            reason=reason,
            noise_adu=noise_adu,
            clipped_fraction=clipped,
        )


def _original(anchor: int, reason: tuple[str, ...]) -> int:
    """Return the frame of which the anchor is a copy, else the anchor itself."""
    while anchor > 0 and reason[anchor] == "duplicate":
        anchor -= 1
    return anchor
