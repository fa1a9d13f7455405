"""The first pass over a capture: every frame looked at once, ranked, placed and checked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture, CaptureError
from stacker.parallel import ordered_map
from stacker.ranking.cells import lay_cells
from stacker.ranking.faults import Notes, difference, find_copies, judge
from stacker.ranking.glance import UNREADABLE, Glance
from stacker.ranking.record import Ranking
from stacker.ranking.scouting import Scouting, scout
from stacker.ranking.survey import Surveyor
from stacker.settings import RankingSettings

Progress = Callable[[int, int], None]
BATCH = 8
"""A glance takes less than a millisecond: handed on one by one, the threads would mostly wait for each other."""


def rank(capture: Capture, settings: RankingSettings, workers: int = 1, progress: Progress | None = None) -> Ranking:
    """Look at every frame once and return its sharpness, place, brightness and faults.

    `progress(done, total)` is called after each frame, from the caller's thread. The result does not depend on
    `workers`.

    Raises CaptureError where no frame is usable, or no target stands out of the noise.
    """
    ranking = _survey(capture, scout(capture, settings.target), workers, progress)
    if ranking.reason[ranking.anchor]:
        # The scouts were misled by a broken frame: look again without those that the pass has found.
        broken = frozenset(np.flatnonzero(~ranking.usable).tolist())
        if len(broken) < len(capture):
            ranking = _survey(capture, scout(capture, settings.target, broken), workers, progress)
    if not ranking.usable.any():
        words = ", ".join(sorted(set(ranking.reason)))
        raise CaptureError(capture.path, f"no frame can be used ({words})", "record it again")
    return ranking


def _survey(capture: Capture, scouting: Scouting, workers: int, progress: Progress | None) -> Ranking:
    surveyor = Surveyor(capture, scouting, lay_cells(scouting.target, scouting.binning, len(capture)))
    cells = surveyor.cells
    table = _Table(len(capture), cells.patches(cells.inner).shape)
    before: NDArray[Any] | None = None
    for index, glance in enumerate(_glances(capture, surveyor, workers)):
        table.enter(index, glance, difference(glance.sample, before))
        before = glance.sample
        if progress is not None:
            progress(index + 1, len(capture))
    least_noise_adu = float(np.sqrt(scouting.noise.variance(float(np.percentile(surveyor.template.level, 10)))))
    return table.close(scouting, _noise_at_target(scouting, surveyor), least_noise_adu)


def _noise_at_target(scouting: Scouting, surveyor: Surveyor) -> float:
    cells, template = surveyor.cells, surveyor.template
    level = float((template.level * cells.target).sum() / max(float(cells.target.sum()), 1e-9))
    return float(np.sqrt(scouting.noise.variance(level)))


def _glances(capture: Capture, surveyor: Surveyor, workers: int) -> Iterator[Glance]:
    """Yield a glance at every frame in order; readers that must decode in sequence are read in the caller's thread."""
    if capture.is_sequential:
        return ordered_map(surveyor.take, _sequence(capture), workers)
    reader = _DirectReader(capture, surveyor)
    batches = (range(first, min(first + BATCH, len(capture))) for first in range(0, len(capture), BATCH))
    return chain.from_iterable(ordered_map(reader.take, batches, workers))


def _sequence(capture: Capture) -> Iterator[tuple[int, NDArray[Any] | None]]:
    """Yield `(index, frame)`, None for a frame that cannot be read; reading goes on behind it."""
    following = 0
    while following < len(capture):
        try:
            for index, frame in capture.read(range(following, len(capture))):
                yield index, frame
                following = index + 1
        except (CaptureError, OSError):
            yield following, None
            following += 1


class _DirectReader:
    """Reads single frames into a buffer of each thread."""

    def __init__(self, capture: Capture, surveyor: Surveyor) -> None:
        self._capture, self._surveyor = capture, surveyor

    def take(self, indices: range) -> list[Glance]:
        """Read a few frames and glance at each."""
        return [self._take_one(index) for index in indices]

    def _take_one(self, index: int) -> Glance:
        buffer = self._surveyor.frame_buffer(self._capture)
        try:
            frame = self._capture.get_frame(index, out=buffer)
        except (CaptureError, OSError):
            return UNREADABLE
        return self._surveyor.glance(index, frame)


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

    def enter(self, index: int, glance: Glance, difference_adu: float) -> None:
        """Note one frame."""
        self.shift_px[index] = glance.shift_px
        self.sharpness[index] = glance.sharpness
        if glance.patches is not None:
            self.patches[index] = glance.patches
        for name, column in self.numbers.items():
            column[index] = getattr(glance, name)
        self.flags["readable"][index] = glance.readable
        self.flags["blank"][index] = glance.blank
        self.differences[index] = difference_adu

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
