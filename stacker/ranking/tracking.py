"""Coarse tracking: where the target stands in a binned frame, whatever the mount and the clouds did."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.packed_spectrum import energy, packed

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

    def locate_all(self, planes: Plane, indices: Sequence[int]) -> list[Place]:
        """Return the same for several planes (K, h, w)."""


class DiscTracker:
    """Centroid of the light above a threshold; where the border cuts the disc, a least-squares fit of the template.

    The threshold follows the frame's own brightness, so thin cloud does not move the centroid. A plain correlation
    with a cut disc has a flat top; the sum of squared differences over the pixels inside the frame has not.
    """

    def __init__(self, template: Plane, sky_adu: float, level_adu: float, noise_adu: float, radius: float) -> None:
        self._template = np.clip(template - sky_adu, 0, None).astype(np.float32)
        self._level, self._noise, self._radius = level_adu, noise_adu, radius
        self._rows, self._columns = (np.arange(n, dtype=np.float32) for n in template.shape)
        lit = float(self._lit_means(self._template[None])[0])
        self._area = max(1, int(np.count_nonzero(self._template > _CLIP_LEVEL * lit)))
        self._centre = _centroids(np.maximum(self._template - np.float32(_CLIP_LEVEL * level_adu), 0)[None])[0]
        shape = [cv2.getOptimalDFTSize(2 * n) for n in template.shape]
        self._padded = (shape[0], shape[1])
        self._spectrum: NDArray[np.complex64] = np.conj(np.fft.rfft2(self._template, self._padded))
        inside = np.fft.rfft2(np.ones(template.shape, np.float32), self._padded)
        power = np.conj(np.fft.rfft2(self._template**2, self._padded))
        self._expected = np.asarray(np.fft.irfft2(inside * power, self._padded), np.float32)

    def locate(self, plane: Plane, index: int) -> Place:
        """Return the disc's displacement from the template; `LOST` where nothing of its kind is lit."""
        return self.locate_all(plane[None], [index])[0]

    def locate_all(self, planes: Plane, indices: Sequence[int]) -> list[Place]:
        """Return the disc's displacement in each plane (K, h, w)."""
        sky = self._skies(planes)
        above = planes - sky[:, None, None]
        seen = self._lit_means(above)
        threshold = (_CLIP_LEVEL * seen).astype(np.float32)[:, None, None]
        excess = np.maximum(above - threshold, 0)
        centre = _centroids(excess, *self._near(_centroids(excess)))
        bright = seen >= max(_LEAST_LIGHT * self._level, 5 * self._noise)
        shares = np.count_nonzero(excess, axis=(1, 2)) / self._area
        cut = _lit_on_border(excess) > 2
        places = []
        for k in range(len(planes)):
            if not bright[k] or not np.isfinite(centre[k, 0]):
                places.append(LOST)
                continue
            row, column = centre[k] - self._centre
            if cut[k]:
                row, column = self._fit(above[k] * np.float32(self._level / max(float(seen[k]), 1e-6)))
            significance = float(seen[k] / self._noise)
            places.append(Place(float(row), float(column), float(shares[k]), significance, float(sky[k])))
        return places

    def _skies(self, planes: Plane) -> NDArray[np.float32]:
        edges = (planes[:, 0], planes[:, -1], planes[:, 1:-1, 0], planes[:, 1:-1, -1])
        border = np.concatenate(edges, axis=1)
        half = border.shape[1] // 2
        # A large disc may cover half of the border; the lower quartile is then still sky.
        rank = half // 2 if self._radius > min(planes.shape[1:]) / 3 else half
        return np.asarray(np.partition(border, rank, axis=1)[:, rank])

    def _lit_means(self, above: Plane) -> NDArray[np.float64]:
        """Return the level of what is lit in each frame: the mean over half of its robust maximum."""
        tops = np.array([cv2.minMaxLoc(cv2.blur(plane, (3, 3)))[1] for plane in above], np.float32)
        bright = above > 0.5 * tops[:, None, None]
        total = np.where(bright, above, 0).sum(axis=(1, 2), dtype=np.float64)
        return np.asarray(total / np.maximum(np.count_nonzero(bright, axis=(1, 2)), 1))

    def _near(self, centres: NDArray[np.float64]) -> tuple[Plane, Plane]:
        """Mark the rows (K, h) and columns (K, w) within the disc's reach of a first centroid.

        Moons and ghosts further out do not count. Without a centroid all are marked.
        """
        reach = 1.35 * self._radius + 3
        marks = []
        for axis, line in enumerate((self._rows, self._columns)):
            centre = centres[:, axis, None]
            near = (line >= np.floor(centre - reach)) & (line < np.floor(centre + reach) + 2)
            marks.append((near | ~np.isfinite(centre)).astype(np.float32))
        return marks[0], marks[1]

    def _fit(self, above: Plane) -> tuple[float, float]:
        cross = np.fft.irfft2(np.fft.rfft2(above, self._padded) * self._spectrum, self._padded)
        row, column, _ = peak_position(np.asarray(2 * cross - self._expected, np.float32))
        return row, column


def _centroids(excess: Plane, rows: Plane | None = None, columns: Plane | None = None) -> NDArray[np.float64]:
    """Return row and column (K, 2) of the light in planes (K, h, w), in marked rows and columns only; nan without."""
    count, height, width = excess.shape
    rows = np.ones((count, height), np.float32) if rows is None else rows
    columns = np.ones((count, width), np.float32) if columns is None else columns
    down = (excess @ columns[:, :, None])[:, :, 0] * rows
    across = (rows[:, None, :] @ excess)[:, 0] * columns
    total = down.sum(axis=1, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        sums = np.stack([down @ np.arange(height, dtype=np.float64), across @ np.arange(width, dtype=np.float64)], 1)
        return np.asarray(np.where(total[:, None] > 0, sums / total[:, None], np.nan))


def _lit_on_border(excess: Plane) -> NDArray[np.intp]:
    """Return how many pixels of each plane's border are lit, (K,)."""
    edges = (excess[:, 0], excess[:, -1], excess[:, :, 0], excess[:, :, -1])
    return np.asarray(np.sum([np.count_nonzero(edge, axis=1) for edge in edges], axis=0))


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
        height, width = keys[0].shape
        self._shape = height, width
        self._offsets = np.array(offsets, dtype=float)
        self._times, self._predicted = np.array(times, dtype=float), np.array(predicted, dtype=float)
        self._window = np.outer(_taper(height), _taper(width)).astype(np.float32)
        self._size = cv2.getOptimalDFTSize(height), cv2.getOptimalDFTSize(width)
        windowed = [self._windowed(key) for key in keys]
        self._filter = packed(_band(self._size) / _mean_amplitude(windowed, self._size), self._size[1])
        self._spectra = [self._transform(key) for key in keys]
        self._norms = [np.sqrt(energy(spectrum)) for spectrum in self._spectra]

    def with_prediction(self, position: tuple[float, float]) -> SurfaceTracker:
        """Return the same tracker, expecting the target near `position` whatever the frame's index."""
        other = copy.copy(self)
        other._times, other._predicted = np.zeros(1), np.array([position], dtype=float)
        return other

    def locate(self, plane: Plane, index: int) -> Place:
        """Return the surface's displacement from the anchor."""
        return self.locate_all(plane[None], [index])[0]

    def locate_all(self, planes: Plane, indices: Sequence[int]) -> list[Place]:
        """Return the surface's displacement in each plane (K, h, w).

        The likeliest key is tried first; the others where that one does not convince.
        """
        expected = np.stack([np.interp(indices, self._times, self._predicted[:, axis]) for axis in (0, 1)], 1)
        distance = np.hypot(*(self._offsets[None] - expected[:, None]).transpose(2, 0, 1))
        return [
            self._locate(plane, order)
            for plane, order in zip(planes, np.argsort(distance, axis=1, kind="stable"), strict=True)
        ]

    def _locate(self, plane: Plane, order: NDArray[np.intp]) -> Place:
        spectrum, best = self._transform(plane), LOST
        norm = np.sqrt(energy(spectrum))
        for key in order if norm > 0 else ():
            best = max(best, self._against(spectrum, norm, int(key)), key=lambda place: place.quality)
            if best.significance > 10 and best.quality > 0.3:
                break
        return best

    def _windowed(self, plane: Plane) -> Plane:
        """Return a plane (h, w) without its mean under the window, with zeros around to the transform's size."""
        windowed = np.asarray(plane - np.float32(cv2.mean(plane)[0]))
        cv2.multiply(windowed, self._window, dst=windowed)
        below, right = (size - length for size, length in zip(self._size, self._shape, strict=True))
        if below or right:
            windowed = cv2.copyMakeBorder(windowed, 0, below, 0, right, cv2.BORDER_CONSTANT, value=(0,))
        return np.asarray(windowed, np.float32)

    def _transform(self, plane: Plane) -> Plane:
        """Return the packed spectrum of a windowed plane (h, w), filtered."""
        spectrum = self._windowed(plane)
        cv2.dft(spectrum, dst=spectrum)
        return np.asarray(cv2.multiply(spectrum, self._filter, dst=spectrum))

    def _against(self, spectrum: Plane, norm: float, key: int) -> Place:
        product = cv2.mulSpectrums(spectrum, self._spectra[key], 0, conjB=True)
        surface = np.asarray(cv2.idft(product, dst=product, flags=cv2.DFT_SCALE), np.float32)
        row, column, peak = peak_position(surface)
        # The band passes no constant term, so the root mean square is the standard deviation.
        spread = float(cv2.norm(surface)) / np.sqrt(surface.size)
        overlap = max(0.1, 1 - abs(row) / self._shape[0]) * max(0.1, 1 - abs(column) / self._shape[1])
        quality = peak * surface.size / (norm * self._norms[key]) / overlap
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
    return min(max(0.5 * (three[0] - three[2]) / bend, -0.5), 0.5) if bend < 0 else 0.0


def _taper(length: int) -> NDArray[np.float64]:
    """Rise as cos^2 over the outer fifth on each side; flat between, so that shifts are hardly pulled to zero."""
    position = (np.arange(length) + 0.5) / length
    return np.asarray(np.sin(np.pi / 2 * np.minimum(np.minimum(position, 1 - position) / _TAPER, 1)) ** 2)


def _frequencies(size: tuple[int, int]) -> NDArray[np.float64]:
    return np.asarray(np.hypot(np.fft.fftfreq(size[0])[:, None], np.fft.rfftfreq(size[1])[None, :]))


def _band(size: tuple[int, int]) -> NDArray[np.float32]:
    """Pass from about 8 cycles a frame to a quarter of a cycle a tracking pixel."""
    frequency = _frequencies(size)
    low = 3.0 / min(size)
    return np.asarray((1 - np.exp(-((frequency / low) ** 2))) * np.exp(-((frequency / 0.25) ** 2)), dtype=np.float32)


def _mean_amplitude(planes: list[Plane], size: tuple[int, int]) -> NDArray[np.float32]:
    """Return the square root of the planes' spectral amplitude, averaged over rings, as a map for division."""
    power = np.mean([np.abs(np.fft.rfft2(plane)) ** 2 for plane in planes], axis=0)
    ring = np.minimum(np.rint(_frequencies(size) * min(size)).astype(int), min(size) // 2)
    mean = np.bincount(ring.ravel(), power.ravel()) / np.maximum(np.bincount(ring.ravel()), 1)
    amplitude = np.sqrt(np.sqrt(mean))[ring]
    return np.asarray(amplitude + 1e-3 * amplitude.max() + 1e-30, dtype=np.float32)
