"""What the first pass notes of each frame: place, contrast, brightness and everything that may be wrong with it.

A glance takes less than a millisecond, so a few frames are looked at together: one call then does them all.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture, CaptureError
from stacker.ranking.cells import Cells
from stacker.ranking.contrast import BAND_NOISE
from stacker.ranking.damage import area_at_full_scale, largest_jumps, roughness, row_steps, share_not_finite
from stacker.ranking.faults import difference
from stacker.ranking.glance import Glances, Template
from stacker.ranking.looks import read_few
from stacker.ranking.moving import Map, Moved, move_onto_cells
from stacker.ranking.plane import Plane, coarse_planes, fill_not_finite, reduce_frame
from stacker.ranking.scouting import Scouting
from stacker.ranking.tracking import Place

Frames = Iterable[NDArray[Any] | None]
Signs = tuple[NDArray[Any], int]
"""Of damage: `row_steps`, and the pixels in fields at full scale."""
SignsAt = Callable[[NDArray[np.float64]], Signs]
"""The same where the target stands, by its shift in frame pixels."""
Indices = NDArray[np.intp]


class Surveyor:
    """Looks at a few frames at once; may be called from several threads."""

    def __init__(self, capture: Capture, scouting: Scouting, cells: Cells) -> None:
        """Raises CaptureError where none of the scouted good frames can be read again."""
        self._scouting, self.cells = scouting, cells
        self._full_scale, self._step = capture.full_scale, 2 if capture.mosaic else 1
        self._area_px = max(1.0, float(scouting.target.mask.sum()))
        binning = scouting.binning
        joined = binning.fine**2
        quantisation = 4 / 12 / joined if capture.dtype.kind == "u" and joined > 1 else 0.0
        # The plane averages fine x fine pixels; OpenCV rounds integer averages of the first 2x2 to whole numbers again.
        self._floor = (
            np.float32(BAND_NOISE * (scouting.noise.read_variance / joined + quantisation)),
            np.float32(BAND_NOISE * scouting.noise.per_adu / joined),
        )
        self._threads = threading.local()
        self.template, seen = self._learn(capture)
        if not seen:
            # A disc without detail shows its sharpness at the limb alone.
            self.cells = replace(cells, inner=cells.target)
            self.template, _ = self._learn(capture)
        self._full_weight = self.cells.patches(self.cells.inner)

    @property
    def grid(self) -> tuple[int, int]:
        """Patches down and across."""
        rows, columns = self._full_weight.shape
        return rows, columns

    def _learn(self, capture: Capture) -> tuple[Template, bool]:
        """Average the cells of the scouted good frames; tell whether their detail stands out of the noise."""
        skies, lights, energies = [], [], []
        for _, frame in read_few(capture, self._scouting.good):
            plane = reduce_frame(frame, self._scouting.binning)
            fill_not_finite(plane)
            self._scouting.repair(plane, plane)
            place, moved = self._look(plane[None], [self._scouting.anchor])
            if moved.rows.any():
                light, energy = self._light(moved, place), self._energy(moved)
                skies.append(place[0].sky_adu)
                lights.append(np.where(moved.mask, light, np.float32(np.nan))[0])
                energies.append(np.where(moved.mask, energy, np.float32(np.nan))[0])
        if not lights:
            raise CaptureError(capture.path, "its frames cannot be read a second time", "copy it to a sound disk")
        # Medians: a broken frame among the good ones must not shape the template.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            light, energy = np.nanmedian(lights, axis=0), np.nanmedian(energies, axis=0)
        count = np.isfinite(light)
        light, energy = np.nan_to_num(light), np.nan_to_num(energy)
        weight = np.maximum(self.cells.target, 0.02) * np.maximum(count, 1e-6)
        mean = np.average(light, weights=weight)
        contrast = float(np.sqrt(np.average((light - mean) ** 2, weights=weight)))
        sky = float(np.median(skies))
        template = Template(light.astype(np.float32), energy.astype(np.float32), max(contrast, 1e-9), sky)
        return template, self._stands_out(template)

    def _stands_out(self, template: Template) -> bool:
        """Whether one frame's detail inside the target exceeds four standard deviations of the noise's energy."""
        inner = self.cells.inner
        pixels = float(inner.sum()) * self.cells.size**2
        floor = np.maximum(template.level * self._floor[1] + self._floor[0], 0)
        # The band's filter correlates the noise of some eight neighbouring pixels.
        error = _weighted(floor, inner) * np.sqrt(2 * 8 / max(pixels, 1))
        return bool(_weighted(template.energy, inner) > 4 * error)

    def glance(self, indices: Sequence[int], frames: Frames) -> Glances:
        """Return what the first pass notes of the frames `indices`; None stands for one that could not be read.

        Frames are best read as they are taken: each is looked at while the processor's cache holds it.
        """
        noted = Glances(len(indices), self.grid)
        planes, signs = self._reduced(frames, noted)
        seen = np.flatnonzero(noted.readable & ~noted.blank)
        if seen.size:
            looked = planes if seen.size == len(planes) else planes[seen]
            places, moved = self._look(looked, [indices[int(k)] for k in seen])
            noted.quality[seen] = [place.quality for place in places]
            noted.significance[seen] = [place.significance for place in places]
            self._judge(noted, seen, places, moved, [signs[int(k)] for k in seen])
        return noted

    @property
    def keeps_frames(self) -> bool:
        """Whether a frame must stay as it is until all that are glanced at together have been taken."""
        return self._scouting.target.kind == "disc"

    def _reduced(self, frames: Frames, noted: Glances) -> tuple[Plane, dict[int, SignsAt]]:
        """Return the planes of the frames, and what tells their damage; note what shows in them as stored."""
        planes, signs = self._buffer(noted.count), dict[int, SignsAt]()
        before: NDArray[Any] | None = None
        for k, frame in enumerate(frames):
            if frame is None:
                noted.readable[k], before = False, None
                continue
            reduce_frame(frame, self._scouting.binning, planes[k])
            noted.not_finite[k] = share_not_finite(frame)
            if noted.not_finite[k]:
                fill_not_finite(planes[k])
                frame = np.where(np.isfinite(frame), frame, np.float32(np.median(planes[k])))
            signs[k] = self._signs_at(frame)
            sample = np.array(frame[:: 4 if frame.shape[0] >= 64 else 1])
            noted.roughness[k] = roughness(sample, self._step)
            noted.difference[k] = difference(sample, before)
            low, high = cv2.minMaxLoc(planes[k])[:2]
            if high - low <= 1e-6 * max(abs(high), 1.0):
                noted.blank[k], noted.clipped[k] = True, float(high >= self._full_scale)
                noted.roughness[k] = np.nan
            self._scouting.repair(planes[k], planes[k])
            if k == 0:
                noted.first_sample = sample
            before = sample
        noted.last_sample = before
        return planes, signs

    def _look(self, planes: Plane, indices: Sequence[int]) -> tuple[list[Place], Moved]:
        """Find the target in planes (K, h, w) and move them onto its cells."""
        scouting = self._scouting
        places = [Place(0.0, 0.0, 1.0, 0.0)] * len(planes)
        if scouting.tracked:
            zero = scouting.zero
            found = scouting.tracker.locate_all(coarse_planes(planes, scouting.binning), indices)
            places = [replace(place, row=place.row - zero[0], column=place.column - zero[1]) for place in found]
        shifts = np.array([(place.row, place.column) for place in places]) * scouting.binning.coarse
        return places, move_onto_cells(planes, shifts, self.cells)

    def _light(self, moved: Moved, places: Sequence[Place]) -> Map:
        """Return the cells' light above the sky, (K, rows, columns)."""
        sky = np.array([place.sky_adu for place in places], np.float32)
        return np.asarray(moved.level - sky[:, None, None])

    def _energy(self, moved: Moved) -> Map:
        """Return the cells' energy with the noise's share taken out."""
        return np.asarray(moved.energy - np.maximum(moved.level * self._floor[1] + self._floor[0], 0))

    def _judge(self, noted: Glances, seen: Indices, places: list[Place], moved: Moved, signs_at: list[SignsAt]) -> None:
        """Note how the frames `seen` compare with the template; those that cover nothing of the target say nothing."""
        here = np.flatnonzero(moved.rows.any(1))
        noted.roughness[np.delete(seen, here)] = np.nan
        places, moved = [places[k] for k in here], moved.take(here)
        seen = seen[here]
        cells, template, mask = self.cells, self.template, moved.mask
        light = np.where(mask, self._light(moved, places), 0)
        noted.brightness[seen] = _sums(light, cells.target) / np.maximum(moved.covered(cells.target), 1e-9)
        # The rim is left out of the comparison too: blur moves light across it.
        ratio = _sums(light, cells.inner) / np.maximum(moved.covered(template.light * cells.inner), 1e-9)
        lit = ratio > 1e-3
        for column, value in ((noted.quality, 0.0), (noted.significance, 0.0), (noted.roughness, np.nan)):
            column[seen[~lit]] = value
        gain = np.where(lit, ratio, 1).astype(np.float32)[:, None, None]
        contrast = np.where(mask, self._energy(moved) / gain**2, 0)
        reference = moved.covered(template.energy * cells.inner)
        sharpness = _sums(contrast, cells.inner) / np.where(reference > 0, reference, np.nan)
        misfit, local = self._misfit(np.where(mask, (light / gain - template.light) ** 2, 0), moved)
        scale = self._scouting.binning.coarse_px
        shifts = np.array([(place.row * scale, place.column * scale) for place in places]).reshape(-1, 2)
        signs = [signs_at[int(k)](shift) for k, shift in zip(here, shifts, strict=True)]
        columns: dict[str, NDArray[Any]] = {
            "shift_px": shifts,
            "sharpness": sharpness,
            "patches": self._patches(contrast, moved),
            "misfit": misfit,
            "local_misfit": local,
            "covered": moved.rows.sum(1) * moved.columns.sum(1) / cells.target.size,
            "row_jump": largest_jumps([steps for steps, _ in signs], self._step),
            "clipped": np.array([area for _, area in signs]) / self._area_px,
        }
        for name, values in columns.items():
            getattr(noted, name)[seen[lit]] = values[lit]
        np.minimum(noted.clipped, 1.0, out=noted.clipped)

    def _patches(self, contrast: Map, moved: Moved) -> Map:
        """Return contrast per patch over the template's squared brightness; nan where hardly covered."""
        cells, full = self.cells, self._full_weight
        weight = cells.to_rows @ (cells.inner * moved.mask) @ cells.to_columns
        total = cells.to_rows @ (contrast * cells.inner) @ cells.to_columns
        level = max(_weighted(self.template.light, cells.target), 1e-9)
        known = (weight > 0.5 * full) & (full > 0.1 * full.max())
        return np.where(known, total / np.where(known, weight, 1) / np.float32(level**2), np.float32(np.nan))

    def _misfit(self, squared: Map, moved: Moved) -> tuple[Map, Map]:
        """Return the root mean square misfit over all covered cells and over the worst patch, (K,) each."""
        cells = self.cells
        covered = (moved.rows @ cells.to_rows.T)[:, :, None] * (moved.columns @ cells.to_columns)[:, None, :]
        local = cells.to_rows @ squared @ cells.to_columns / np.maximum(covered, 1e-6)
        local[covered < 0.3 * covered.max((1, 2), keepdims=True)] = 0
        mean = squared.sum((1, 2)) / np.maximum(moved.rows.sum(1) * moved.columns.sum(1), 1)
        return np.sqrt(mean) / self.template.contrast, np.sqrt(local.max((1, 2))) / self.template.contrast

    def _signs_at(self, frame: NDArray[Any]) -> SignsAt:
        """Return what tells the damage of a frame; a surface fills it, and is looked at before the cache forgets it."""
        if self.keeps_frames:
            return lambda shift: self._signs(self._part(frame, shift))
        signs = self._signs(frame)
        return lambda _: signs

    def _signs(self, part: NDArray[Any]) -> Signs:
        work: NDArray[Any] | None = getattr(self._threads, "work", None)
        if work is None or work.size < part.size or work.dtype != part.dtype:
            work = self._threads.work = np.empty(part.size, part.dtype)
        return row_steps(part, self._step, work), area_at_full_scale(part, self._full_scale)

    def _part(self, frame: NDArray[Any], shift_px: NDArray[np.float64]) -> NDArray[Any]:
        """Return the part of a frame that a disc covers."""
        target = self._scouting.target
        ranges = []
        for axis in (0, 1):
            low = target.centre_px[axis] - target.radius_px + shift_px[axis]
            high = target.centre_px[axis] + target.radius_px + shift_px[axis] + 1
            ranges.append(slice(int(np.clip(low, 0, frame.shape[axis])), int(np.clip(high, 0, frame.shape[axis]))))
        return frame[ranges[0], ranges[1]]

    def _buffer(self, count: int) -> Plane:
        """Return this thread's buffer for planes."""
        held: Plane | None = getattr(self._threads, "planes", None)
        if held is None or len(held) < count:
            held = self._threads.planes = np.empty((count, *self._scouting.binning.fine_shape), np.float32)
        return held[:count]


def _sums(values: Map, weight: Map) -> Map:
    """Return the weighted sums over cells, (K,)."""
    return np.asarray(values.reshape(len(values), -1) @ weight.ravel())


def _weighted(values: Map, weight: Map) -> float:
    total = float(weight.sum())
    return float((values * weight).sum()) / total if total > 0 else 0.0
