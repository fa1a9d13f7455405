"""A first look at some three dozen frames spread over the capture: what is the target, where is it, what is typical."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.calibration.defects import DefectRepair
from stacker.capture import Capture, CaptureError
from stacker.ranking.looks import Look, Looks, take_looks
from stacker.ranking.noise import NoiseModel
from stacker.ranking.plane import Binning, Plane, choose_binning
from stacker.ranking.record import Target
from stacker.ranking.target import DISC_EDGE, Sighting, enclosing_circle
from stacker.ranking.tracking import DiscTracker, Place, SurfaceTracker, Tracker
from stacker.settings import RankingSettings

_SIGNIFICANT = 7.0
"""A correlation peak counts when it stands this many standard deviations over the correlation's background."""


@dataclass(frozen=True)
class Scouting:
    """What is known before the pass over all frames begins."""

    binning: Binning
    target: Target
    anchor: int
    tracker: Tracker
    zero: tuple[float, float]
    """Position that the tracker reports for the anchor frame."""
    noise: NoiseModel
    repair: DefectRepair
    """Takes hot and dead pixels out of a plane."""
    good: tuple[int, ...]
    """Scouted frames in which the target is well seen, sharpest first."""
    tracked: bool
    """False where nothing stands out of the noise that could be followed; all frames then count as unmoved."""


def scout(
    capture: Capture, settings: RankingSettings, without: frozenset[int] = frozenset(), workers: int = 1
) -> Scouting:
    """Find the target, an anchor frame and a tracker from frames spread over the capture.

    Frames in `without` are known to be broken. The result does not depend on `workers`.

    Raises CaptureError where no frame can be read, all are blank, or (auto, disc) nothing stands out of the noise.
    """
    wanted, quick = settings.target, settings.effort == "quick"
    looks = take_looks(capture, choose_binning(capture, None, quick), settings.effort, without, workers)
    for _ in range(3):
        diameter_px = looks.disc_diameter_px if looks.sees_something else 12.0
        better = choose_binning(capture, diameter_px, quick)
        if better == looks.binning:
            break
        looks = take_looks(capture, better, settings.effort, without, workers)
    discs = [s.significant and s.disc for s in looks.sightings]
    seen = [s.significant for s in looks.sightings]
    if wanted != "surface" and any(seen) and (wanted == "disc" or sum(discs) > 0.5 * sum(seen)):
        return _scout_disc(looks, discs if any(discs) else seen)
    found = _scout_surface(looks)
    if wanted != "surface" and not found.tracked and not looks.has_shading:
        advice = "check aim, focus and exposure, or say that it is a surface (--target surface)"
        raise CaptureError(capture.path, "no target stands out of the noise", advice)
    return found


def _scout_disc(looks: Looks, usable: list[bool]) -> Scouting:
    picked = [(look, s) for look, s, use in zip(looks.frames, looks.sightings, usable, strict=True) if use]
    typical = float(np.median([s.mask.sum() for _, s in picked]))
    whole = [(look, s) for look, s in picked if 0.5 * typical < s.mask.sum() < 1.6 * typical] or picked
    sharpness = np.array([_energy_inside(look, s) for look, s in whole])
    first, sighting = whole[int(np.argmax(sharpness))]
    tracker = _disc_tracker(first.plane, sighting)
    places = [tracker.locate(look.plane, look.index) for look, _ in whole]
    kept = [i for i, place in enumerate(places) if place.found] or [0]
    anchor_number = _central_and_sharp([places[i] for i in kept], sharpness[kept])
    anchor, sighting = whole[kept[anchor_number]]
    tracker = _disc_tracker(anchor.plane, sighting)
    zero = tracker.locate(anchor.plane, anchor.index)
    order = sorted(kept, key=lambda i: -sharpness[i])
    target = _disc_target(anchor.plane, sighting, looks.binning)
    good = tuple(whole[i][0].index for i in order[: max(4, len(order) // 3)])
    return Scouting(
        looks.binning, target, anchor.index, tracker, (zero.row, zero.column), looks.noise, looks.repair, good, True
    )


def _energy_inside(look: Look, sighting: Sighting) -> float:
    inside = cv2.erode(sighting.mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    where = inside if inside.sum() > 0.3 * sighting.mask.sum() else sighting.mask
    return float(look.energy[where].mean()) / max(sighting.level_adu, 1e-6) ** 2


def _disc_tracker(plane: Plane, sighting: Sighting) -> DiscTracker:
    _, radius = enclosing_circle(sighting.mask)
    return DiscTracker(plane, sighting.sky_adu, sighting.level_adu, sighting.noise_adu, radius)


def _central_and_sharp(places: list[Place], sharpness: NDArray[np.float64]) -> int:
    """Return the sharpest of the half that stands nearest to the median position."""
    position = np.array([(place.row, place.column) for place in places])
    distance = np.hypot(*(position - np.median(position, axis=0)).T)
    near = distance <= np.median(distance) + 1.0
    return int(np.argmax(np.where(near, sharpness, -np.inf)))


def _disc_target(plane: Plane, sighting: Sighting, binning: Binning) -> Target:
    height, width = binning.shape
    step = np.float32(sighting.sky_adu + DISC_EDGE * sighting.level_adu)
    near = cv2.dilate(sighting.mask.astype(np.uint8), np.ones((3, 3), np.uint8))
    above = np.where(near > 0, plane - step, -np.abs(plane - step) - np.float32(1e-3))
    scale = binning.coarse_px
    # Pixel centres of the two grids differ by half a pixel each: sample the coarse plane where frame pixels lie.
    columns = np.tile(((np.arange(width) + 0.5) / scale - 0.5).astype(np.float32), (height, 1))
    rows = np.tile(((np.arange(height) + 0.5) / scale - 0.5).astype(np.float32)[:, None], (1, width))
    full = cv2.remap(above, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = np.asarray(full > 0)
    if not mask.any():
        mask = cv2.resize(sighting.mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
    centre, radius = enclosing_circle(mask)
    return Target("disc", centre, radius, mask)


def _scout_surface(scouted: Looks) -> Scouting:
    looks, binning = scouted.frames, scouted.binning
    sharpness = np.array([_surface_energy(look) for look in looks])
    start = int(np.argsort(-sharpness, kind="stable")[len(sharpness) // 8])
    keys, where = _chain(looks, start)
    tracked = len(where) > max(1, len(looks) // 4) or len(looks) == 1
    if not tracked:
        keys, where = [start], {i: Place(0.0, 0.0, 1.0, 0.0) for i in range(len(looks))}
    found = sorted(where)
    number = found[_central_and_sharp([where[i] for i in found], sharpness[found])]
    base = where[number]
    moved = {i: replace(p, row=p.row - base.row, column=p.column - base.column) for i, p in where.items()}
    if number not in keys:
        keys = [number, *keys]
    tracker = SurfaceTracker(
        [_key_mean(looks, moved, key) for key in keys],
        [(moved[key].row, moved[key].column) for key in keys],
        [looks[i].index for i in found],
        [(moved[i].row, moved[i].column) for i in found],
    )
    zero = tracker.locate(looks[number].plane, looks[number].index) if tracked else Place(0.0, 0.0, 1.0, 0.0)
    order = sorted(found, key=lambda i: -sharpness[i])
    near = [i for i in order if max(abs(moved[i].row), abs(moved[i].column)) < 0.1 * min(binning.coarse_shape)]
    good = tuple(looks[i].index for i in (near or order)[: max(4, len(order) // 3)])
    height, width = binning.shape
    centre, radius = ((height - 1) / 2, (width - 1) / 2), float(np.hypot(height, width)) / 2
    target = Target("surface", centre, radius, np.ones((height, width), bool))
    anchor, base_px = looks[number].index, (zero.row, zero.column)
    return Scouting(binning, target, anchor, tracker, base_px, scouted.noise, scouted.repair, good, tracked)


def _surface_energy(look: Look) -> float:
    return float(look.energy.mean()) / max(float(look.plane.mean()), 1e-6) ** 2


def _chain(looks: tuple[Look, ...], start: int) -> tuple[list[int], dict[int, Place]]:
    """Place the looks relative to the start; one that has drifted far becomes a further key for those beyond it."""
    keys = [start]
    places = {start: Place(0.0, 0.0, 1.0, 99.0)}
    shape = looks[start].plane.shape
    tracker = _key_tracker(looks, places, keys)
    for steps in (range(start + 1, len(looks)), range(start - 1, -1, -1)):
        last = (0.0, 0.0)
        for i in steps:
            place = tracker.with_prediction(last).locate(looks[i].plane, 0)
            if place.significance < _SIGNIFICANT:
                continue
            places[i], last = place, (place.row, place.column)
            overlap = max(_overlap(place, places[key], shape) for key in keys)
            if 0.4 < overlap < 0.7 and place.quality > 0.3:
                keys.append(i)
                tracker = _key_tracker(looks, places, keys)
    return keys, places


def _key_tracker(looks: tuple[Look, ...], places: dict[int, Place], keys: list[int]) -> SurfaceTracker:
    offsets = [(places[key].row, places[key].column) for key in keys]
    return SurfaceTracker([looks[key].plane for key in keys], offsets, [0], [(0.0, 0.0)])


def _overlap(place: Place, key: Place, shape: tuple[int, ...]) -> float:
    """Return the share of a look's field that a key shows too."""
    return (1 - abs(place.row - key.row) / shape[0]) * (1 - abs(place.column - key.column) / shape[1])


def _key_mean(looks: tuple[Look, ...], places: dict[int, Place], key: int) -> Plane:
    """Return the mean of the looks that show nearly the same field as a key, moved onto it: less noise, less warp."""
    total, count = looks[key].plane.astype(np.float64), 1
    rows, columns = total.shape
    for i, place in places.items():
        dy, dx = place.row - places[key].row, place.column - places[key].column
        if i == key or max(abs(dy) / rows, abs(dx) / columns) > 0.12 or place.quality < 0.3:
            continue
        move = np.array([[1, 0, dx], [0, 1, dy]], dtype=np.float64)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        total += cv2.warpAffine(looks[i].plane, move, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        count += 1
    return np.asarray(total / count, dtype=np.float32)
