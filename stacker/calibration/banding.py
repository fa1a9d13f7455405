"""Rows and columns with offsets of their own: read off the dark sky around the target, taken out where they are real.

Readout electronics shift whole rows by an amount that is new in every frame, and whole columns by one that stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture, CaptureError

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Column = NDArray[np.float64]
SEGMENTS = 8
SMOOTH_ROWS = 11
"""Slower changes along the sky belong to glow, haze and gradients, and stay."""
_COARSE = 4
_DARK, _DARK_SIGMAS = 0.03, 4.0
"""Sky is no brighter than its middle by this part of the target's brightness, or by so many deviations."""
_HIT_SIGMAS = 5.0
_LEAST_SKY = 0.12
_FEWEST_PX = 24
_REAL = 3.0
"""Offsets are real where they scatter with this many times the variance that noise gives them."""
_FRAMES = 5
_MANY_FRAMES = 32


@dataclass(frozen=True)
class Bands:
    """Offsets of the rows of one frame against their surroundings."""

    offset: Column
    """(H,), 0 where too little sky is seen."""
    variance: Column
    """(H,) of their noise; inf where too little sky is seen."""

    step: int = 1
    """Rows from one to the next of the same kind: 2 in a mosaic."""

    @property
    def ratio(self) -> float:
        """Scatter of the offsets over that of their noise: 1 where there is nothing but noise."""
        bend, noise = self._bends()
        return float(bend.sum() / noise.sum()) if noise.any() else 1.0

    @property
    def shrunk(self) -> Column:
        """The likeliest offsets: those measured, times s^2 / (s^2 + noise), s^2 their scatter beyond the noise."""
        bend, noise = self._bends()
        real = max(float((bend - noise).mean()) / 6, 0.0) if bend.size else 0.0
        return np.asarray(self.offset * real / np.maximum(real + self.variance, 1e-30))

    def _bends(self) -> tuple[Column, Column]:
        """Return the squared second differences of three rows in sequence, and what noise alone makes of them.

        Offsets differ from row to row; what a halo leaves at the edge of the sky does not.
        """
        before, here, after = (
            slice(start * self.step, start * self.step - 2 * self.step or None) for start in range(3)
        )
        noise = self.variance[before] + 4 * self.variance[here] + self.variance[after]
        bend = (self.offset[before] - 2 * self.offset[here] + self.offset[after]) ** 2
        known = np.isfinite(noise)
        return bend[known], noise[known]


@dataclass(frozen=True)
class BandRemoval:
    """What is taken out of every frame."""

    rows: bool
    """Whether each frame's rows are levelled by its own sky."""
    columns: Map | None
    """(W,) offsets that all frames share."""
    step: int

    def __call__(self, frame: Map) -> Map:
        """Level a frame (H, W) float32 in place and return it."""
        if self.columns is not None:
            frame -= self.columns
        if self.rows:
            sky = dark_sky(frame)
            if sky is not None:
                frame -= measure_bands(frame, sky, self.step).shrunk.astype(np.float32)[:, None]
        return frame


def find_bands(capture: Capture) -> tuple[BandRemoval | None, tuple[str, ...]]:
    """Return what removes a gray capture's bands, with words about it; None where nothing real is there.

    *Limits*: a target that fills the frame leaves no sky to measure by; nothing is done then.
    """
    if len(capture.shape) != 2 or min(capture.shape) < 8 * SMOOTH_ROWS:
        return None, ()
    step = 2 if capture.mosaic else 1
    frames = _sample(capture, _FRAMES)
    if len(frames) < 3 or sum(sky is not None for _, sky in frames) < 0.6 * len(frames):
        return None, ()
    seen = [(frame, sky) for frame, sky in frames if sky is not None]
    rows = float(np.median([measure_bands(frame, sky, step).ratio for frame, sky in seen])) > _REAL
    standing = float(np.median([measure_bands(frame.T, sky.T, step).ratio for frame, sky in seen])) > _REAL
    common = _common_columns(capture, step) if standing else None
    if not rows and common is None:
        return None, ()
    notes = ["offsets that each row has anew in every frame were taken out"] if rows else []
    notes += [] if common is None else ["offsets of columns were taken out"]
    return BandRemoval(rows, common, step), tuple(notes)


def _common_columns(capture: Capture, step: int) -> Map | None:
    """Return the offsets (W,) that columns have in all frames; None where they do not last."""
    more = [(frame, sky) for frame, sky in _sample(capture, _MANY_FRAMES) if sky is not None]
    lasting = _mean_of([measure_bands(frame.T, sky.T, step) for frame, sky in more])
    return lasting.shrunk.astype(np.float32) if lasting.ratio > _REAL else None


def dark_sky(frame: Map) -> Mask | None:
    """Return where a frame (H, W) shows dark sky well away from the target; None where too little of it is."""
    height, width = frame.shape
    small = cv2.resize(frame, (max(width // _COARSE, 1), max(height // _COARSE, 1)), interpolation=cv2.INTER_AREA)
    low, middle, high = (float(value) for value in np.percentile(small, (5, 25, 99.5)))
    # 0.97 standard deviations lie between the lower two quantiles of noise.
    limit = middle + max(_DARK * (high - middle), _DARK_SIGMAS * (middle - low) / 0.97)
    if (middle - low) / 0.97 > _DARK * (high - middle):
        return None  # What varies so much is no sky.
    bright = cv2.dilate((small > limit).astype(np.uint8), np.ones((5, 5), np.uint8))
    sky = np.asarray(cv2.resize(bright, (width, height), interpolation=cv2.INTER_NEAREST) == 0)
    if sky.mean() < _LEAST_SKY:
        return None
    some = frame[sky][::5]
    usual = float(np.median(some))
    scatter = 1.4826 * float(np.median(np.abs(some - usual)))
    # A single hot pixel would shift its row's mean by more than its offset.
    near = np.abs(frame - np.float32(usual)) < np.float32(_HIT_SIGMAS * scatter + limit - middle)
    return np.asarray(sky & near)


def measure_bands(frame: Map, sky: Mask, step: int) -> Bands:
    """Return the offsets of the rows of a frame (H, W) from its sky; a mosaic's two kinds of row (`step` 2) apart.

    Every row is cut into segments. What all segments of a row share is its offset; what they do not share is noise,
    neighbouring pixels' likeness included, so that smoothed noise is not taken for bands.
    """
    offset, variance = np.zeros(frame.shape[0]), np.full(frame.shape[0], np.inf)
    for start in range(step):
        part = np.s_[start::step]
        offset[part], variance[part] = _measure(frame[part], sky[part])
    return Bands(offset, variance, step)


def _measure(frame: Map, sky: Mask) -> tuple[Column, Column]:
    edges = np.linspace(0, frame.shape[1], SEGMENTS + 1).astype(int)[:-1]
    count = np.add.reduceat(sky, edges, axis=1, dtype=np.float64)
    total = np.add.reduceat(np.where(sky, frame, np.float32(0)), edges, axis=1, dtype=np.float64)
    count[count < _FEWEST_PX / 3] = 0
    level = np.where(count > 0, total / np.maximum(count, 1), 0)
    # Taken off twice, a smooth course leaves nothing that a cubic describes: a halo's curvature is no band.
    rest = level
    for _ in range(2):
        rest = rest - _smooth(rest * count) / np.maximum(_smooth(count), 1e-9)
    whole = count.sum(1)
    offset = (rest * count).sum(1) / np.maximum(whole, 1)
    segments = (count > 0).sum(1)
    known = (whole >= _FEWEST_PX) & (segments >= 3)
    if not known.any():
        return np.zeros(len(whole)), np.full(len(whole), np.inf)
    within = (count * (rest - offset[:, None]) ** 2).sum(1)
    per_pixel = within[known].sum() / (segments[known] - 1).sum()
    variance = np.where(known, per_pixel / np.maximum(whole, 1), np.inf)
    return np.where(known, offset, 0.0), variance


def _smooth(columns: Column) -> Column:
    return np.asarray(cv2.blur(columns, (1, SMOOTH_ROWS), borderType=cv2.BORDER_REFLECT))


def _mean_of(bands: list[Bands]) -> Bands:
    """Return the mean of several frames' offsets, each row from the frames that know it."""
    known = np.array([np.isfinite(band.variance) for band in bands])
    frames = known.sum(0)
    offset = np.array([band.offset for band in bands]).sum(0) / np.maximum(frames, 1)
    variance = np.where(known, [band.variance for band in bands], 0).sum(0) / np.maximum(frames, 1) ** 2
    return Bands(offset, np.where(frames > 0, variance, np.inf), bands[0].step)


def _sample(capture: Capture, most: int) -> list[tuple[Map, Mask | None]]:
    last = min(len(capture), 2 * most) if capture.is_sequential else len(capture)
    indices = np.unique(np.linspace(0, last - 1, min(last, most)).astype(int)).tolist()
    try:
        frames = [np.array(frame, np.float32) for _, frame in capture.read(indices)]
    except CaptureError:
        return []
    sound = [np.nan_to_num(frame, copy=False, posinf=0, neginf=0) for frame in frames if frame.max() > frame.min()]
    return [(frame, dark_sky(frame)) for frame in sound]
