"""A few dozen frames spread over the capture, reduced to what the choice of target, anchor and tracker needs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.calibration.defects import DefectRepair
from stacker.capture import Capture, CaptureError
from stacker.capture.each_frame import read_or_pass
from stacker.parallel import forked_map
from stacker.ranking.blemishes import BlemishFinder
from stacker.ranking.contrast import band_energy
from stacker.ranking.damage import roughness, row_jumps
from stacker.ranking.faults import outlying
from stacker.ranking.noise import NoiseModel, fit_noise, sample_noise
from stacker.ranking.plane import Binning, Plane, coarse_planes, fill_not_finite, reduce_frame
from stacker.ranking.target import Sighting, sight_target

_MOST_SCOUTS = {"full": 36, "quick": 24}
"""By effort."""
_NOISE_SCOUTS = 8
_PARTS = 4
_SEEK_COST = 8
"""Seeking one frame of a compressed video costs about as much as decoding so many in sequence."""


@dataclass(frozen=True)
class Look:
    """What one scouted frame shows."""

    index: int
    plane: Plane
    """The tracking plane."""
    energy: Plane
    """Squared difference of Gaussians of the fine plane, averaged over tracking pixels."""
    row_jump: float
    roughness: float


@dataclass(frozen=True)
class Looks:
    """All scouted frames at one binning, and what they tell together."""

    binning: Binning
    frames: tuple[Look, ...]
    sightings: tuple[Sighting, ...]
    noise: NoiseModel
    repair: DefectRepair
    """Takes hot and dead pixels out of a plane."""

    @property
    def sees_something(self) -> bool:
        """Whether a target stands out in any frame; a tiny disc may have been averaged away by the binning."""
        return any(sighting.significant for sighting in self.sightings)

    @property
    def disc_diameter_px(self) -> float | None:
        """Median diameter of the discs in frame pixels, None where most frames show no disc."""
        sizes = [s.diameter for s in self.sightings if s.significant and s.disc]
        seen = sum(s.significant for s in self.sightings)
        return float(np.median(sizes)) * self.binning.coarse_px if sizes and len(sizes) > 0.5 * seen else None

    @property
    def has_shading(self) -> bool:
        """Whether the mean of the frames varies over the field by more than noise can."""
        plane = np.mean([look.plane for look in self.frames], axis=0)
        expected = np.sqrt(self.noise.variance(float(plane.mean())) / self.binning.coarse_px**2 / len(self.frames))
        return bool(cv2.GaussianBlur(plane, (0, 0), 2).std() > 5 * expected)


@dataclass
class _Seen:
    """What some of the scouted frames show."""

    blemishes: BlemishFinder
    looks: list[tuple[Look, Sighting]] = field(default_factory=list)
    noise: list[NDArray[np.float32]] = field(default_factory=list)
    """Of the first of them, see `sample_noise`; the first part mostly has enough."""

    def take(self, other: _Seen) -> None:
        """Take in what other frames show."""
        self.blemishes.take(other.blemishes)
        self.looks += other.looks
        self.noise += other.noise


def take_looks(
    capture: Capture,
    binning: Binning,
    effort: str = "full",
    without: frozenset[int] = frozenset(),
    workers: int = 1,
) -> Looks:
    """Look at frames spread evenly over the capture; unreadable and blank ones are passed over.

    The result does not depend on `workers`. Raises CaptureError where none is left.
    """
    known = np.setdiff1d(np.arange(len(capture)), sorted(without))
    most = min(len(known), _MOST_SCOUTS[effort])
    indices = known[np.unique(np.linspace(0, len(known) - 1, most).round().astype(int))]

    def look(few: list[int]) -> _Seen:
        seen = _Seen(BlemishFinder(binning.fine_shape))
        for index, frame in read_few(capture, few):
            plane = reduce_frame(frame, binning)
            fill_not_finite(plane)
            if float(plane.max() - plane.min()) > 0:
                found = _look(index, frame, plane, binning, 2 if capture.mosaic else 1)
                seen.looks.append((found, sight_target(found.plane)))
                if few[0] == indices[0] and len(seen.noise) < _NOISE_SCOUTS:
                    seen.noise.append(sample_noise(frame, capture.mosaic))
                seen.blemishes.add(plane)
        return seen

    # What is decoded in sequence is decoded here: its decoder has no copy in other processes.
    parts = min(_PARTS, len(indices)) if capture.has_random_access else 1
    shares = (part.tolist() for part in np.array_split(indices, parts))
    whole = _Seen(BlemishFinder(binning.fine_shape))
    for seen in forked_map(look, shares, min(workers, parts)):
        whole.take(seen)
    if not whole.looks:
        raise CaptureError(
            capture.path, "every frame is blank or unreadable", "check cap, exposure and cable, and record again"
        )
    frames, sightings = zip(*_undamaged(whole.looks), strict=True)
    more = [look.index for look, _ in whole.looks[len(whole.noise) : _NOISE_SCOUTS]]
    samples = whole.noise + [sample_noise(frame, capture.mosaic) for _, frame in read_few(capture, more)]
    noise, repair = fit_noise(np.concatenate(samples)), DefectRepair(whole.blemishes.find())
    return Looks(binning, frames, sightings, noise, repair)


def read_few(capture: Capture, indices: Iterable[int]) -> Iterator[tuple[int, NDArray[Any]]]:
    """Yield `(index, frame)` for the frames that can be read, in rising order.

    Where frames must be decoded in sequence, many of them are met by decoding the capture once through; of a few
    each is sought.
    """
    wanted = sorted(indices)
    if not capture.has_random_access and len(wanted) * _SEEK_COST >= len(capture):
        yield from ((index, frame) for index, frame in read_or_pass(capture, wanted) if frame is not None)
        return
    for index in wanted:
        try:
            frame = capture.get_frame(index)
        except (CaptureError, OSError):
            continue
        yield index, frame


def _look(index: int, frame: NDArray[Any], plane: Plane, binning: Binning, step: int) -> Look:
    rows, columns = binning.coarse_shape
    energy = cv2.resize(band_energy(plane), (columns, rows), interpolation=cv2.INTER_AREA)
    # The median takes out what hot pixels add.
    energy = cv2.medianBlur(energy, 3) if min(rows, columns) >= 3 else energy
    jump = float(row_jumps([frame], step)[0])
    return Look(index, coarse_planes(plane[None], binning)[0], np.asarray(energy), jump, roughness(frame[::4], step))


def _undamaged(looks: list[tuple[Look, Sighting]]) -> list[tuple[Look, Sighting]]:
    """Leave out torn frames: their edges look sharp, and the anchor must not be one of them."""
    jumps, rough = (np.array([getattr(look, name) for look, _ in looks]) for name in ("row_jump", "roughness"))
    among = np.ones(len(looks), dtype=bool)
    torn = outlying(jumps, among, 8, 5.0) | outlying(rough, among, 8, 1.5)
    return [look for look, bad in zip(looks, torn, strict=True) if not bad]
