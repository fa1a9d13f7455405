"""Spectra of a few patches in many single frames: what the air is read from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture
from stacker.capture.each_frame import Frames, each_batch
from stacker.capture.mosaic import luminance
from stacker.capture.sequence import Frame
from stacker.measuring.patch_places import place_patches
from stacker.measuring.patch_transform import PatchTransform
from stacker.measuring.recentring import Modes, Spectra
from stacker.ranking import Ranking

Real = NDArray[np.float32]
Repair = Callable[[Any], Any]

MOST_FRAMES = {"full": 240, "quick": 60}
"""By effort."""
MOST_PATCHES = 12
_MOST_LOST = 0.1
_DECODED = 3


@dataclass(frozen=True)
class PatchSpectra:
    """Half-plane spectra of P patches in n frames under a soft window, per unit of the target's brightness."""

    frames: NDArray[np.intp]
    """(n,) numbers of the frames, rising."""
    corners_px: NDArray[np.intp]
    """(P, 2) of the patches in the anchor frame."""
    size_px: int
    modes: Modes
    spectra: Spectra
    """(P, n, K)."""
    noise: NDArray[np.float64]
    """(P, K) mean power of the noise."""
    inside: NDArray[np.bool_]
    """(P, n) whether the frame showed the whole patch."""


def sample_frames(ranking: Ranking, sequential: bool, most: int) -> NDArray[np.intp]:
    """Return at most `most` usable frames, spread evenly over the capture; over its beginning where it is compressed.

    To reach a frame of a compressed video all before it must be decoded.
    """
    usable = np.flatnonzero(ranking.usable & np.isfinite(ranking.coarse_shift_px).all(1))
    usable = usable[: _DECODED * most] if sequential else usable
    if len(usable) <= most:
        return usable
    return usable[np.linspace(0, len(usable) - 1, most).round().astype(np.intp)]


def patch_spectra(
    capture: Capture,
    ranking: Ranking,
    repair: Repair,
    cutoff_cyc_per_px: float,
    size_px: int,
    most_frames: int,
    workers: int,
) -> PatchSpectra | None:
    """Return the spectra of patches of `size_px` with detail; None where no patch fits into the frames."""
    frames = sample_frames(ranking, capture.is_sequential, most_frames)
    shift = np.rint(np.nan_to_num(ranking.coarse_shift_px)).astype(np.intp)
    corners = _places(capture, ranking, repair, cutoff_cyc_per_px, size_px, shift[frames])
    if not len(corners):
        return None
    transform = PatchTransform(size_px, cutoff_cyc_per_px, capture.mosaic)
    noise_of = transform.frames_of_noise(len(frames))

    def look_at(place: int, frame: Frame) -> tuple[Spectra, NDArray[np.float64], NDArray[np.bool_]]:
        spectra = np.zeros((len(corners), len(transform.noise_shape)), np.complex64)
        level = np.full(len(corners), np.nan)
        plane = luminance(repair(frame), capture.mosaic)
        moved = corners + shift[frames[place]]
        shown = _shown(moved, size_px, plane.shape)
        if shown.any():
            parts, bright = transform.windowed(plane, moved[shown]), ranking.brightness[frames[place]]
            spectra[shown] = transform.spectra(parts) / np.float32(bright)
            if place in noise_of:
                level[shown] = transform.noise_power(parts) / bright**2
        return spectra, level, shown

    def look(batch: Frames) -> tuple[Spectra, NDArray[np.float64], NDArray[np.bool_]]:
        few = [look_at(place, frame) for place, frame in batch]
        spectra, level, inside = (np.stack(part, 1) for part in zip(*few, strict=True))
        return spectra, level, inside

    batches = each_batch(capture, frames.tolist(), look, workers)
    spectra, level, inside = (np.concatenate(part, 1) for part in zip(*batches, strict=True))
    window_power = float(np.square(transform.window).sum())
    stated = (ranking.noise_adu / float(np.median(ranking.brightness[frames]))) ** 2 * window_power
    told = np.isfinite(level)
    floor = np.array([row[seen].mean() if seen.any() else stated for row, seen in zip(level, told, strict=True)])
    noise = floor[:, None] * transform.noise_shape
    return PatchSpectra(frames, corners, size_px, transform.modes, spectra, noise, inside)


def _places(
    capture: Capture, ranking: Ranking, repair: Repair, cutoff: float, size_px: int, shift: NDArray[np.intp]
) -> NDArray[np.intp]:
    """Return the corners (P, 2) of patches in the anchor frame that nearly all frames show."""
    sharpest = int(ranking.order[0])
    picture = luminance(repair(capture.get_frame(sharpest)), capture.mosaic)
    dy, dx = (int(value) for value in np.rint(ranking.coarse_shift_px[sharpest]))
    picture = np.roll(picture, (-dy, -dx), (0, 1))
    spread = np.quantile(np.abs(shift), 1.0 - _MOST_LOST, axis=0).astype(int)
    margin = (int(spread[0]), int(spread[1]))
    corners = place_patches(picture, ranking.target.mask, size_px, cutoff, margin, MOST_PATCHES)
    return np.array(corners, np.intp).reshape(-1, 2)


def _shown(corners: NDArray[np.intp], size: int, frame: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return which patches (P,) lie within the frame, a pixel of rim included."""
    return np.asarray(((corners >= 1) & (corners + size < np.array(frame))).all(1))
