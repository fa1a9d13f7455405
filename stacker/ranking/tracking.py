"""Coarse tracking: where the target stands in a binned frame, whatever the mount and the clouds did."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

Plane = NDArray[np.float32]
_CLIP_LEVEL = 0.4
"""Disc pixels count above this fraction of the disc's level: below it the seeing's halo moves the centroid."""

_TAPER = 0.2
_LEAST_LIGHT = 0.06
"""Dimmer than this share of the disc's level there is nothing to follow: cloud, or sky alone."""


@dataclass(frozen=True)
class Place:
    """Where the target was found in one binned frame."""

    row: float
    column: float
    quality: float
    """1 = as the template; for a disc the share of its lit area that is in the frame, for a surface the correlation."""
    significance: float
    """Height of the finding over its background, in standard deviations."""
    sky_adu: float = 0.0
    """Level of the sky around a disc; 0 for a surface, whose black level cannot be seen."""

    @property
    def found(self) -> bool:
        """Whether there is a position at all."""
        return bool(np.isfinite(self.row) and np.isfinite(self.column))


LOST = Place(float("nan"), float("nan"), 0.0, 0.0)


class Tracker(Protocol):
    """Finds the target in tracking planes; stateless, so frames may come in any order and from any thread."""

    def locate(self, plane: Plane, index: int) -> Place:
        """Return the target's displacement from the anchor, in tracking pixels."""


class DiscTracker:
    """Centroid of the light above a threshold; where the border cuts the disc, a least-squares fit of the template.

    The threshold follows the frame's own brightness, so thin cloud does not move the centroid. A plain correlation
    with a cut disc has a flat top; the sum of squared differences over the pixels inside the frame has not.
    """

    def __init__(self, template: Plane, sky_adu: float, level_adu: float, noise_adu: float, radius: float) -> None:
        self._template = np.clip(template - sky_adu, 0, None).astype(np.float32)
        self._level, self._noise, self._radius = level_adu, noise_adu, radius
        self._rows, self._columns = (np.arange(n, dtype=np.float32) for n in template.shape)
        self._area = max(1, int(np.count_nonzero(self._template > _CLIP_LEVEL * self._lit_mean(self._template))))
        self._centre = self._centroid(self._template, _CLIP_LEVEL * level_adu)
        shape = [scipy.fft.next_fast_len(2 * n) for n in template.shape]
        self._padded = (shape[0], shape[1])
        self._spectrum: NDArray[np.complex64] = np.conj(scipy.fft.rfft2(self._template, self._padded))
        inside = scipy.fft.rfft2(np.ones(template.shape, np.float32), self._padded)
        power = np.conj(scipy.fft.rfft2(self._template**2, self._padded))
        self._expected: Plane = scipy.fft.irfft2(inside * power, self._padded)

    def locate(self, plane: Plane, index: int) -> Place:
        """Return the disc's displacement from the template; `LOST` where nothing of its kind is lit."""
        sky = self._sky(plane)
        above = plane - np.float32(sky)
        seen = self._lit_mean(above)
        if seen < max(_LEAST_LIGHT * self._level, 5 * self._noise):
            return LOST
        threshold = _CLIP_LEVEL * seen
        row, column = self._centroid(above, threshold)
        row, column = self._centroid(self._window(above, row, column), threshold)
        if not np.isfinite(row):
            return LOST
        place = (row - self._centre[0], column - self._centre[1])
        if self._cut_by_border(above, threshold):
            place = self._fit(above * np.float32(self._level / max(seen, 1e-6)))
        share = int(np.count_nonzero(above > threshold)) / self._area
        return Place(place[0], place[1], float(share), float(seen / self._noise), sky)

    def _sky(self, plane: Plane) -> float:
        border = np.concatenate([plane[0], plane[-1], plane[1:-1, 0], plane[1:-1, -1]])
        half = border.size // 2
        # A large disc may cover half of the border; the lower quartile is then still sky.
        rank = half // 2 if self._radius > min(plane.shape) / 3 else half
        return float(np.partition(border, rank)[rank])

    def _lit_mean(self, above: Plane) -> float:
        """Return the level of what is lit in this frame: the mean over half of its robust maximum."""
        top = float(cv2.minMaxLoc(cv2.blur(above, (3, 3)))[1])
        bright = above[above > 0.5 * top]
        return float(bright.mean()) if bright.size else 0.0

    def _window(self, above: Plane, row: float, column: float) -> Plane:
        """Keep what lies within the disc's reach of a first centroid: moons and ghosts further out do not count."""
        if not np.isfinite(row):
            return above
        reach = 1.35 * self._radius + 3
        near = np.zeros_like(above)
        top, left = max(0, int(row - reach)), max(0, int(column - reach))
        part = np.s_[top : int(row + reach) + 2, left : int(column + reach) + 2]
        near[part] = above[part]
        return near

    def _centroid(self, above: Plane, threshold: float) -> tuple[float, float]:
        excess = np.maximum(above - np.float32(threshold), 0)
        down, across = excess.sum(axis=1), excess.sum(axis=0)
        total = float(down.sum())
        if total <= 0:
            return float("nan"), float("nan")
        return float(down @ self._rows / total), float(across @ self._columns / total)

    def _cut_by_border(self, above: Plane, threshold: float) -> bool:
        lit = sum(int(np.count_nonzero(edge > threshold)) for edge in (above[0], above[-1], above[:, 0], above[:, -1]))
        return lit > 2

    def _fit(self, above: Plane) -> tuple[float, float]:
        cross = scipy.fft.irfft2(scipy.fft.rfft2(above, self._padded) * self._spectrum, self._padded)
        row, column, _ = peak_position(2 * cross - self._expected)
        return row, column


class SurfaceTracker:
    """Windowed cross-correlation with one or more key planes, half whitened inside a band.

    Only the key's amplitude is divided out once: full whitening would let frequencies without signal vote.
    """

    def __init__(
        self,
        keys: list[Plane],
        offsets: list[tuple[float, float]],
        times: list[int],
        predicted: list[tuple[float, float]],
    ) -> None:
        """`offsets`: where the target stands in each key; `predicted`: the same at the frames `times` (rising)."""
        shape = keys[0].shape
        self._shape = (shape[0], shape[1])
        self._offsets = np.array(offsets, dtype=float)
        self._times, self._predicted = np.array(times, dtype=float), np.array(predicted, dtype=float)
        self._window = np.outer(_taper(shape[0]), _taper(shape[1])).astype(np.float32)
        self._size = (scipy.fft.next_fast_len(shape[0], real=True), scipy.fft.next_fast_len(shape[1], real=True))
        self._filter = _band(self._size) / _mean_amplitude([self._transform(key) for key in keys], self._size)
        self._spectra = [np.conj(self._transform(key) * self._filter) for key in keys]
        self._norms = [_norm(spectrum) for spectrum in self._spectra]

    def with_prediction(self, position: tuple[float, float]) -> SurfaceTracker:
        """Return the same tracker, expecting the target near `position` whatever the frame's index."""
        other = copy.copy(self)
        other._times, other._predicted = np.zeros(1), np.array([position], dtype=float)
        return other

    def locate(self, plane: Plane, index: int) -> Place:
        """Return the surface's displacement from the anchor; the likeliest key is tried first, then the others."""
        spectrum = self._transform(plane) * self._filter
        norm = _norm(spectrum)
        if not norm > 0:
            return LOST
        expected = [np.interp(index, self._times, self._predicted[:, axis]) for axis in (0, 1)]
        best = LOST
        for key in np.argsort(np.hypot(*(self._offsets - expected).T), kind="stable"):
            place = self._against(spectrum, norm, int(key))
            best = max(best, place, key=lambda found: found.quality)
            if best.significance > 10 and best.quality > 0.3:
                break
        return best

    def _transform(self, plane: Plane) -> NDArray[np.complex64]:
        level = cv2.mean(plane)[0]
        windowed = (plane - np.float32(level)) * self._window
        spectrum: NDArray[np.complex64] = scipy.fft.rfft2(windowed, self._size)
        return spectrum

    def _against(self, spectrum: NDArray[np.complex64], norm: float, key: int) -> Place:
        surface: Plane = scipy.fft.irfft2(spectrum * self._spectra[key], self._size)
        row, column, peak = peak_position(surface)
        # The band passes no constant term, so the root mean square is the standard deviation.
        spread = float(cv2.norm(surface)) / np.sqrt(surface.size)
        overlap = max(0.1, 1 - abs(row) / self._shape[0]) * max(0.1, 1 - abs(column) / self._shape[1])
        norms = norm * self._norms[key]
        quality = peak * surface.size / norms / overlap if norms > 0 else 0.0
        offset = self._offsets[key]
        return Place(float(row + offset[0]), float(column + offset[1]), float(quality), peak / (spread + 1e-30))


def peak_position(surface: Plane) -> tuple[float, float, float]:
    """Return signed row and column lag of a circular correlation's maximum, and its height.

    The lag is refined by a parabola through the maximum and its neighbours; the height is the highest sample's.
    """
    rows, columns = surface.shape
    _, peak, _, (column, row) = cv2.minMaxLoc(surface)
    down = [float(surface[(row + i) % rows, column]) for i in (-1, 0, 1)]
    across = [float(surface[row, (column + i) % columns]) for i in (-1, 0, 1)]
    signed_row = row - rows if row > rows // 2 else row
    signed_column = column - columns if column > columns // 2 else column
    return signed_row + _vertex(down), signed_column + _vertex(across), float(peak)


def _vertex(three: list[float]) -> float:
    bend = three[0] - 2 * three[1] + three[2]
    return float(np.clip(0.5 * (three[0] - three[2]) / bend, -0.5, 0.5)) if bend < 0 else 0.0


def _taper(length: int) -> NDArray[np.float64]:
    """Rise as cos^2 over the outer fifth on each side; flat between, so that shifts are hardly pulled to zero."""
    position = (np.arange(length) + 0.5) / length
    return np.asarray(np.sin(np.pi / 2 * np.minimum(np.minimum(position, 1 - position) / _TAPER, 1)) ** 2)


def _frequencies(size: tuple[int, int]) -> NDArray[np.float64]:
    return np.asarray(np.hypot(scipy.fft.fftfreq(size[0])[:, None], scipy.fft.rfftfreq(size[1])[None, :]))


def _band(size: tuple[int, int]) -> NDArray[np.float32]:
    """Pass from about 8 cycles a frame to a quarter of a cycle a tracking pixel."""
    frequency = _frequencies(size)
    low = 3.0 / min(size)
    return np.asarray((1 - np.exp(-((frequency / low) ** 2))) * np.exp(-((frequency / 0.25) ** 2)), dtype=np.float32)


def _mean_amplitude(spectra: list[NDArray[np.complex64]], size: tuple[int, int]) -> NDArray[np.float32]:
    """Return the square root of the keys' amplitude, averaged over rings, as a map for division."""
    power = np.mean([np.abs(spectrum) ** 2 for spectrum in spectra], axis=0)
    ring = np.minimum(np.rint(_frequencies(size) * min(size)).astype(int), min(size) // 2)
    mean = np.bincount(ring.ravel(), power.ravel()) / np.maximum(np.bincount(ring.ravel()), 1)
    amplitude = np.sqrt(np.sqrt(mean))[ring]
    return np.asarray(amplitude + 1e-3 * amplitude.max() + 1e-30, dtype=np.float32)


def _norm(spectrum: NDArray[np.complex64]) -> float:
    """Return the root of the energy of the real image behind a half spectrum."""
    twice = float(np.vdot(spectrum, spectrum).real)
    once = float(np.vdot(spectrum[:, 0], spectrum[:, 0]).real)
    return float(np.sqrt(max(2 * twice - once, 0.0)))
