"""Spectra of a few patches in many single frames: what the air is read from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture import Capture
from stacker.capture.each_frame import Frames, each_batch
from stacker.capture.mosaic import luminance
from stacker.capture.sequence import Frame
from stacker.measuring.patch_places import hann, place_patches
from stacker.measuring.recentring import Modes, Spectra
from stacker.ranking import Ranking

Real = NDArray[np.float32]
Repair = Callable[[Any], Any]

MOST_FRAMES = {"full": 240, "quick": 60}
"""By effort."""
MOST_PATCHES = 12
_SEEN_UP_TO = 0.8
_BEYOND = 1.08
_FEWEST_BEYOND = 24
_MOST_LOST = 0.1
_NOISE_OF = 3
"""Every third frame tells the noise."""
_DECODED = 3
_LAPLACIAN = np.array([[1, 4, 1], [4, -20, 4], [1, 4, 1]], np.float32) / 6.0


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
    wanted, beyond, modes = _half_plane(size_px, cutoff_cyc_per_px)
    window = np.outer(hann(size_px), hann(size_px))
    shape = noise_shape(size_px, capture.mosaic)
    seen_at, faint_at, faint_sum = np.flatnonzero(wanted), np.flatnonzero(beyond), float(shape[beyond].sum())

    def look_at(place: int, frame: Frame) -> tuple[Spectra, NDArray[np.float64], NDArray[np.bool_]]:
        spectra, level = np.zeros((len(corners), len(seen_at)), np.complex64), np.full(len(corners), np.nan)
        plane = luminance(repair(frame), capture.mosaic)
        moved = corners + shift[frames[place]]
        shown = _shown(moved, size_px, plane.shape)
        if shown.any():
            seen = _transforms(plane, moved[shown], window)
            seen, bright = seen.reshape(len(seen), -1), np.float32(ranking.brightness[frames[place]])
            spectra[shown] = seen.take(seen_at, 1) / bright
            if len(faint_at) >= _FEWEST_BEYOND and place % _NOISE_OF == 0:
                faint = seen.take(faint_at, 1) / bright
                level[shown] = (faint.real**2 + faint.imag**2).sum(1, dtype=np.float64) / faint_sum
        return spectra, level, shown

    def look(batch: Frames) -> tuple[Spectra, NDArray[np.float64], NDArray[np.bool_]]:
        few = [look_at(place, frame) for place, frame in batch]
        spectra, level, inside = (np.stack(part, 1) for part in zip(*few, strict=True))
        return spectra, level, inside

    batches = each_batch(capture, frames.tolist(), look, workers)
    spectra, level, inside = (np.concatenate(part, 1) for part in zip(*batches, strict=True))
    stated = (ranking.noise_adu / float(np.median(ranking.brightness[frames]))) ** 2 * float((window**2).sum())
    told = np.isfinite(level)
    floor = np.array([row[seen].mean() if seen.any() else stated for row, seen in zip(level, told, strict=True)])
    return PatchSpectra(frames, corners, size_px, modes, spectra, floor[:, None] * shape[wanted], inside)


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


def _half_plane(size: int, cutoff: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_], Modes]:
    """Return which modes of a half-plane transform carry signal, which only noise, and the frequencies of the first."""
    row, column = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    frequency = np.hypot(row, column) / cutoff
    # In the first and last column each mode stands twice.
    once = (column > 0) & (column < 0.5) | (row > 0)
    wanted = (frequency < _SEEN_UP_TO) & (frequency > 0) & once
    modes = Modes(row[wanted].astype(np.float32), column[wanted].astype(np.float32), cutoff)
    return wanted, (frequency > _BEYOND) & once, modes


def noise_shape(size: int, mosaic: str | None) -> NDArray[np.float64]:
    """Return the power of white sensor noise in each mode: the Laplacian raises it, a mosaic's luminance smooths."""
    row, column = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    down, right = np.cos(2.0 * np.pi * row), np.cos(2.0 * np.pi * column)
    power = ((20.0 - 8.0 * (down + right) - 4.0 * down * right) / 6.0) ** 2
    if mosaic is not None:
        power = power * (np.cos(np.pi * row) * np.cos(np.pi * column)) ** 4
    return np.asarray(power)


def _shown(corners: NDArray[np.intp], size: int, frame: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return which patches (P,) lie within the frame, a pixel of rim included."""
    return np.asarray(((corners >= 1) & (corners + size < np.array(frame))).all(1))


def _transforms(plane: Real, corners: NDArray[np.intp], window: Real) -> Spectra:
    """Return the half-plane transforms (P, size, size // 2 + 1) of the patches' Laplacians under the window.

    The steep spectrum of a scene would leak through the window from low frequencies to high ones; that of the
    Laplacian is nearly flat.
    """
    size = len(window)
    parts = np.empty((len(corners), size, size), np.float32)
    for part, (y, x) in zip(parts, corners.tolist(), strict=True):
        edges = cv2.filter2D(plane[y - 1 : y + size + 1, x - 1 : x + size + 1], cv2.CV_32F, _LAPLACIAN)
        np.multiply(edges[1:-1, 1:-1], window, out=part)
    return np.asarray(np.fft.rfft2(parts), np.complex64)
