"""What the first pass notes of each frame: place, contrast, brightness and everything that may be wrong with it."""

from __future__ import annotations

import threading
import warnings
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture, CaptureError
from stacker.capture.sequence import Frame
from stacker.ranking.cells import Cells
from stacker.ranking.contrast import BAND_NOISE, band_energy
from stacker.ranking.damage import area_at_full_scale, roughness, row_jump, share_not_finite
from stacker.ranking.glance import UNREADABLE, Glance, Template
from stacker.ranking.looks import read_few
from stacker.ranking.plane import Plane, coarse_plane, fill_not_finite, reduce_frame
from stacker.ranking.scouting import Scouting
from stacker.ranking.tracking import LOST, Place


@dataclass(frozen=True)
class _Moved:
    """The part of the cell window that a frame covers, in the target's frame of reference."""

    cells: tuple[slice, slice]
    view: Plane
    light: NDArray[np.float32]
    energy: NDArray[np.float32]


class Surveyor:
    """Looks at frames one by one; may be called from several threads at once."""

    def __init__(self, capture: Capture, scouting: Scouting, cells: Cells) -> None:
        """Raises CaptureError where none of the scouted good frames can be read again."""
        self._scouting, self.cells = scouting, cells
        self._full_scale, self._step = capture.full_scale, 2 if capture.mosaic else 1
        self._frame_size = int(np.prod(capture.shape))
        self._area_px = max(1.0, float(scouting.target.mask.sum()))
        binning = scouting.binning
        joined = binning.fine**2
        quantisation = 1 / 12 if capture.dtype.kind == "u" and joined > 1 else 0.0
        # The plane averages fine x fine pixels; OpenCV rounds integer averages to whole numbers again.
        self._floor = (
            BAND_NOISE * (scouting.noise.read_variance / joined + quantisation),
            BAND_NOISE * scouting.noise.per_adu / joined,
        )
        self._threads = threading.local()
        self.template, seen = self._learn(capture)
        if not seen:
            # A disc without detail shows its sharpness at the limb alone.
            self.cells = replace(cells, inner=cells.target)
            self.template, _ = self._learn(capture)
        self._full_weight = self.cells.patches(self.cells.inner)

    def _learn(self, capture: Capture) -> tuple[Template, bool]:
        """Average the cells of the scouted good frames; tell whether their detail stands out of the noise."""
        skies, lights, energies = [], [], []
        for _, frame in read_few(capture, self._scouting.good):
            place, moved = self._look(frame)
            if moved is not None:
                skies.append(place.sky_adu)
                lights.append(self._spread(moved.light, moved))
                energies.append(self._spread(moved.energy, moved))
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

    def _spread(self, values: NDArray[np.float32], moved: _Moved) -> NDArray[np.float32]:
        """Return values of covered cells in their places of the whole window, nan elsewhere."""
        window = np.full(self.cells.target.shape, np.nan, dtype=np.float32)
        window[moved.cells] = values
        return window

    def _look(self, frame: NDArray[Any]) -> tuple[Place, _Moved | None]:
        plane = reduce_frame(frame, self._scouting.binning)
        fill_not_finite(plane)
        self._scouting.repair(plane, plane)
        place = self._locate(plane, self._scouting.anchor)
        return place, self._move(plane, place)

    def _stands_out(self, template: Template) -> bool:
        """Whether one frame's detail inside the target exceeds four standard deviations of the noise's energy."""
        inner = self.cells.inner
        pixels = float(inner.sum()) * self.cells.size**2
        floor = np.maximum(template.level * self._floor[1] + self._floor[0], 0)
        # The band's filter correlates the noise of some eight neighbouring pixels.
        error = _weighted(floor, inner) * np.sqrt(2 * 8 / max(pixels, 1))
        return bool(_weighted(template.energy, inner) > 4 * error)

    def frame_buffer(self, capture: Capture) -> Frame:
        """Return this thread's buffer for a frame as stored."""
        if not hasattr(self._threads, "frame"):
            self._threads.frame = np.empty(capture.shape, capture.dtype)
        buffer: Frame = self._threads.frame
        return buffer

    def take(self, numbered: tuple[int, NDArray[Any] | None]) -> Glance:
        """Glance at `(index, frame)`; None stands for a frame that could not be read."""
        index, frame = numbered
        return UNREADABLE if frame is None else self.glance(index, frame)

    def glance(self, index: int, frame: NDArray[Any]) -> Glance:
        """Return what the first pass notes of a frame."""
        plane = reduce_frame(frame, self._scouting.binning, self._plane_buffer())
        not_finite = share_not_finite(frame)
        if not_finite:
            fill_not_finite(plane)
            frame = np.where(np.isfinite(frame), frame, np.float32(np.median(plane)))
        sample = np.array(frame[:: 4 if frame.shape[0] >= 64 else 1])
        low, high = cv2.minMaxLoc(plane)[:2]
        if high - low <= 1e-6 * max(abs(high), 1.0):
            clipped = 1.0 if high >= self._full_scale else 0.0
            return Glance(blank=True, sample=sample, not_finite=not_finite, clipped=clipped)
        self._scouting.repair(plane, plane)
        place = self._locate(plane, index)
        moved = self._move(plane, place)
        if moved is None:
            return Glance(quality=place.quality, significance=place.significance, sample=sample, not_finite=not_finite)
        return self._judge(frame, place, moved, sample, not_finite)

    def _judge(
        self, frame: NDArray[Any], place: Place, moved: _Moved, sample: NDArray[Any], not_finite: float
    ) -> Glance:
        target, inner = self.cells.target[moved.cells], self.cells.inner[moved.cells]
        expected = self.template.light[moved.cells]
        brightness = _weighted(moved.light, target)
        # The rim is left out of the comparison too: blur moves light across it.
        ratio = _weighted(moved.light, inner) / max(_weighted(expected, inner), 1e-9)
        if not ratio > 1e-3:
            return Glance(quality=0.0, brightness=brightness, sample=sample, not_finite=not_finite)
        contrast = moved.energy / np.float32(ratio**2)
        reference = float((self.template.energy[moved.cells] * inner).sum())
        sharpness = float((contrast * inner).sum()) / reference if reference > 0 else np.nan
        misfit, local = self._misfit(moved, expected, ratio)
        part = frame[self._box(place, frame.shape)] if self._scouting.target.kind == "disc" else frame
        return Glance(
            shift_px=self._shift_px(place),
            quality=place.quality,
            significance=place.significance,
            sharpness=sharpness,
            patches=self._patches(contrast, inner, moved),
            brightness=brightness,
            misfit=misfit,
            local_misfit=local,
            row_jump=self._row_jump(part),
            covered=target.size / self.cells.target.size,
            roughness=roughness(sample, self._step),
            clipped=self._clipped(part),
            not_finite=not_finite,
            sample=sample,
        )

    def _plane_buffer(self) -> Plane:
        if not hasattr(self._threads, "plane"):
            self._threads.plane = np.empty(self._scouting.binning.fine_shape, np.float32)
        buffer: Plane = self._threads.plane
        return buffer

    def _locate(self, plane: Plane, index: int) -> Place:
        scouting = self._scouting
        if not scouting.tracked:
            return Place(0.0, 0.0, 1.0, 0.0)
        place = scouting.tracker.locate(coarse_plane(plane, scouting.binning), index)
        if not place.found:
            return LOST
        row, column = place.row - scouting.zero[0], place.column - scouting.zero[1]
        return Place(row, column, place.quality, place.significance, place.sky_adu)

    def _shift_px(self, place: Place) -> tuple[float, float]:
        scale = self._scouting.binning.coarse_px
        return place.row * scale, place.column * scale

    def _move(self, plane: Plane, place: Place) -> _Moved | None:
        """Cut out of the plane the cells that it covers, displaced by whole plane pixels."""
        if not place.found:
            return None
        cells = self.cells
        starts, parts = [], []
        for axis, (first, shift) in enumerate(((cells.top, place.row), (cells.left, place.column))):
            start = first + round(shift * self._scouting.binning.coarse)
            low = max(0, -(start // cells.size)) if start < 0 else 0
            high = min(cells.target.shape[axis], (plane.shape[axis] - start) // cells.size)
            if high - low < 1:
                return None
            starts.append(start)
            parts.append(slice(low, high))
        view = plane[
            tuple(slice(s + p.start * cells.size, s + p.stop * cells.size) for s, p in zip(starts, parts, strict=True))
        ]
        level = self._mean(view)
        floor = level * np.float32(self._floor[1]) + np.float32(self._floor[0])
        energy = self._mean(band_energy(view)) - np.maximum(floor, 0)
        return _Moved((parts[0], parts[1]), view, level - np.float32(place.sky_adu), energy)

    def _mean(self, view: Plane) -> NDArray[np.float32]:
        """Return the cell means; halving twice is OpenCV's fast path."""
        for _ in range(self.cells.size.bit_length() - 1):
            view = np.asarray(cv2.resize(view, (view.shape[1] // 2, view.shape[0] // 2), interpolation=cv2.INTER_AREA))
        return view

    def _patches(self, contrast: NDArray[np.float32], inner: NDArray[np.float32], moved: _Moved) -> NDArray[np.float32]:
        """Return contrast per patch over the template's squared brightness; nan where hardly covered."""
        cells, (rows, columns) = self.cells, moved.cells
        weight = cells.to_rows[:, rows] @ inner @ cells.to_columns[columns]
        total = cells.to_rows[:, rows] @ (contrast * inner) @ cells.to_columns[columns]
        full = self._full_weight
        level = max(_weighted(self.template.light, cells.target), 1e-9)
        with np.errstate(invalid="ignore", divide="ignore"):
            value = total / weight / np.float32(level**2)
        return np.where((weight > 0.5 * full) & (full > 0.1 * full.max()), value, np.float32(np.nan))

    def _misfit(self, moved: _Moved, expected: NDArray[np.float32], ratio: float) -> tuple[float, float]:
        cells, (rows, columns) = self.cells, moved.cells
        squared = (moved.light / np.float32(ratio) - expected) ** 2
        covered = np.maximum(cells.to_rows[:, rows].sum(axis=1)[:, None] * cells.to_columns[columns].sum(axis=0), 1e-6)
        local = cells.to_rows[:, rows] @ squared @ cells.to_columns[columns] / covered
        local[covered < 0.3 * covered.max()] = 0
        contrast = self.template.contrast
        return float(np.sqrt(squared.mean())) / contrast, float(np.sqrt(local.max())) / contrast

    def _clipped(self, part: NDArray[Any]) -> float:
        """Return the fraction of the target at full scale."""
        return min(1.0, area_at_full_scale(part, self._full_scale) / self._area_px)

    def _row_jump(self, part: NDArray[Any]) -> float:
        if not hasattr(self._threads, "change"):
            self._threads.change = np.empty(self._frame_size, part.dtype)
        return row_jump(part, self._step, self._threads.change)

    def _box(self, place: Place, shape: tuple[int, ...]) -> tuple[slice, slice]:
        target, shift = self._scouting.target, self._shift_px(place)
        ranges = []
        for axis in (0, 1):
            low = target.centre_px[axis] - target.radius_px + shift[axis]
            high = target.centre_px[axis] + target.radius_px + shift[axis] + 1
            ranges.append(slice(int(np.clip(low, 0, shape[axis])), int(np.clip(high, 0, shape[axis]))))
        return ranges[0], ranges[1]


def _weighted(values: NDArray[np.float32], weight: NDArray[np.float32]) -> float:
    total = float(weight.sum())
    return float((values * weight).sum()) / total if total > 0 else 0.0
