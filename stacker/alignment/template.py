"""What a frame of a given sharpness should look like: the reference, blurred and whitened as that class of frames is.

Radial gain G(f) of a class on the reference and the power of what the reference does not explain are measured from
the capture; dividing by the latter lets every frequency vote with its signal-to-noise ratio, and frequencies without
signal not at all (plain whitening of optically band-limited frames lets noise vote).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.curves import smoothed
from stacker.alignment.level import Level
from stacker.alignment.patches import Patches, place_patches
from stacker.alignment.prior import Modes
from stacker.packed_spectrum import add_squares, filtered, folded, packed

Array = NDArray[np.float32]
RINGS = 40
"""Rings up to the optical cutoff; a fifth more lie beyond it."""
COHERENCE_FLOOR = 0.08
"""Rings in which the reference explains less of a frame than this are faded out."""

SMOOTHED_RINGS = 1.0
"""Standard deviation. .7 to 1.4 give 1 to 3 % of the way from a naive stack to the oracle; 2 blurs a ringed planet."""


@dataclass(frozen=True)
class Rings:
    """Rings of equal width in spatial frequency, for one size of image."""

    index: NDArray[np.intp]
    """(h, w // 2 + 1) the ring of each coefficient of a real FFT."""
    position: Array
    """(h, w // 2 + 1) frequency in rings, for interpolation between them."""
    multiplicity: Array
    samples: NDArray[np.float64]
    band: NDArray[np.bool_]
    """Coefficients between 0.2 and 0.5 of the cutoff: blur shows there, noise does not yet."""

    def sum(self, power: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return the sum of a map over each ring, both half-planes counted."""
        sums = np.bincount(self.index.ravel(), (power * self.multiplicity).ravel(), len(self.samples))
        return np.asarray(sums, np.float64)


def rings_of(shape: tuple[int, int], binning: int, cutoff_cyc_per_px: float) -> Rings:
    """Return the rings of an (h, w) image binned by `binning`; the cutoff counts in unbinned pixels."""
    height, width = shape
    frequency = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None]) / binning / cutoff_cyc_per_px
    index = np.minimum((frequency * RINGS).astype(np.intp), RINGS + RINGS // 5)
    multiplicity = np.full(frequency.shape, 2.0, np.float32)
    multiplicity[:, 0] = 1
    if width % 2 == 0:
        multiplicity[:, -1] = 1
    samples = np.bincount(index.ravel(), multiplicity.ravel(), RINGS + RINGS // 5 + 1)
    return Rings(
        index,
        (frequency * RINGS).astype(np.float32),
        multiplicity,
        np.maximum(samples, 1e-9),
        (frequency > 0.2) & (frequency < 0.5),
    )


def spectrum(image: Array, window: Array) -> NDArray[np.complex64]:
    """Return the real FFT of an image without its mean, under a window."""
    return np.asarray(np.fft.rfft2((image - image.mean()) * window), np.complex64)


def power(spectrum: NDArray[np.complex64]) -> Array:
    """Return |F|^2."""
    return np.asarray(spectrum.real**2 + spectrum.imag**2, np.float32)


class PowerSum:
    """The power of some images (h, w) under one window, summed as OpenCV packs spectra and unpacked once."""

    def __init__(self, window: Array) -> None:
        self._window, self._squares, self.count = window, np.zeros(window.shape, np.float32), 0

    def add(self, image: Array) -> None:
        """Add the power of an image without its mean."""
        add_squares((image - image.mean()) * self._window, self._squares)
        self.count += 1

    def total(self) -> Array:
        """Return the sum of |F|^2, (h, w // 2 + 1)."""
        return folded(self._squares)


@dataclass(frozen=True)
class Transfer:
    """How a class of frames relates to the reference, ring by ring."""

    gain: NDArray[np.float64]
    whitening: NDArray[np.float64]


def measure_transfer(
    rings: Rings,
    reference: NDArray[np.complex64],
    class_mean: NDArray[np.complex64],
    class_power: NDArray[np.float64],
    share: float,
) -> Transfer:
    """Return gain and whitening of a class from its mean image, its mean ring power and the reference's spectrum.

    `share` is the mean weight of one frame of the class in the reference: its own noise is taken out of the cross
    spectrum, so that the pair counts as left-one-out.
    """
    cross = rings.sum((class_mean * reference.conj()).real)
    own = rings.sum(power(reference))
    floor = 1e-12 * own.max()
    cross, own = (
        (cross - share * class_power) / (1 - share),
        (own - 2 * share * cross + share**2 * class_power) / (1 - share) ** 2,
    )
    own = np.maximum(own, floor)
    some = rings.samples > 1
    gain = np.where(some, np.clip(cross / own, 0, 1.5), 0)
    total = np.maximum(class_power, floor)
    explained = gain**2 * own
    residual = np.maximum(total - explained, 1e-3 * total) / rings.samples
    # What the reference does not explain changes slowly from ring to ring; its measured values scatter.
    spread = np.exp(smoothed(np.log(residual), SMOOTHED_RINGS))
    trust = np.minimum(1, explained / total / COHERENCE_FLOOR)
    whitening = np.where(some, trust / np.sqrt(spread), 0)
    # Blur never grows with frequency: a rising gain is noise.
    falling = np.maximum.accumulate(gain[::-1])[::-1]
    return Transfer(falling, whitening)


@dataclass(frozen=True)
class TileNormal:
    """The normal equations of one tile in the eigenbasis of its prior-weighted information."""

    matrix: NDArray[np.float64]
    vectors: NDArray[np.float64]
    values: NDArray[np.float64]

    def solve(self, y: NDArray[np.float64], gradient: NDArray[np.float64], precision: float) -> NDArray[np.float64]:
        """Return the maximum a posteriori coefficients after one Gauss-Newton step from `y`."""
        right = precision * (self.matrix @ y - gradient)
        return self.vectors @ ((self.vectors.T @ right) / (1 + precision * self.values))

    def variance(self, combination: NDArray[np.float64], precision: float) -> NDArray[np.float64]:
        """Return the posterior variance (n,) of n linear combinations (n, modes) of the coefficients."""
        return np.asarray((combination @ self.vectors) ** 2 @ (1 / (1 + precision * self.values)))


@dataclass(frozen=True)
class Template:
    """All that is needed to follow the frames of one class."""

    whitening: Array
    """(h, w) factor for `filtered`."""
    image: Array
    along_row: Array
    along_column: Array
    tiles: tuple[TileNormal, ...]
    patches: tuple[Patches, ...]
    """One set a tile, where a first field must be found; else empty."""


def build_template(
    reference: Array,
    transfer: Transfer,
    rings: Rings,
    level: Level,
    modes: Modes,
    limit_to_cutoff: bool,
    with_patches: bool = False,
) -> Template:
    """Return the whitened, blurred reference with its slopes per px and each tile's normal equations."""
    grid = level.grid
    places = np.arange(len(transfer.gain)) + 0.5
    whitening = np.interp(rings.position, places, transfer.whitening).astype(np.float32)
    if limit_to_cutoff:
        whitening[rings.position > RINGS] = 0
    blur = np.interp(rings.position, places, transfer.gain).astype(np.float32)
    width = reference.shape[1]
    image = filtered(reference, packed(whitening * blur, width))
    along_row, along_column = np.zeros_like(image), np.zeros_like(image)
    along_row[1:-1] = (image[2:] - image[:-2]) / (2 * grid.binning)
    along_column[:, 1:-1] = (image[:, 2:] - image[:, :-2]) / (2 * grid.binning)
    tiles, patches = [], []
    for number in range(len(level.region.tiles)):
        inner, down, right, weight = (level.tile(number, m) for m in (image, along_row, along_column, level.trusted))
        normal = grid.normal_matrix(down, right, weight).astype(np.float32)
        matrix = (modes.shapes.T @ (normal @ modes.shapes)).astype(np.float64)
        matrix = (matrix + matrix.T) / 2
        values, vectors = np.linalg.eigh(matrix)
        tiles.append(TileNormal(matrix, vectors, np.maximum(values, 0)))
        if with_patches:
            patches.append(place_patches(inner, down, right, grid, modes))
    return Template(packed(whitening, width), image, along_row, along_column, tuple(tiles), tuple(patches))
