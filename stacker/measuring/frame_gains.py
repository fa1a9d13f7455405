"""How the sharpness of single exposures varies together at coarse and at fine detail: a witness of static defocus.

A frame's gain is the part of the mean spectrum that it shows, Re <F M*> / <|M|^2>, in a cell of frequencies. It does
not depend on the object, hardly on motion, and noise enters it only once. Air alone makes gains vary little at coarse
detail, and alike beyond a third of the cutoff. A static defocus adds to the air's own, which has now the same sign and
now the other: gains vary at coarse detail too, and all together.

`frame_gains.csv` beside this file holds what simulated wavefronts give, from the same screens as `short_exposures.csv`
while r0 wanders by 10 %. `python scripts/experiment_seeing.py --gains` makes it anew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stacker.measuring.patch_places import hann
from stacker.measuring.recentring import Modes, Spectra
from stacker.measuring.short_exposures import HermiteCurve, between

Curve = NDArray[np.float64]

EDGES = (0.15, 0.25, 0.35, 0.45, 0.55, 0.65)
"""Of the rings, in units of the cutoff."""
RINGS, SECTORS = len(EDGES) - 1, 4
MIDDLES = np.array([0.5 * (low + high) for low, high in zip(EDGES, EDGES[1:], strict=False)])
STRETCH = 20
"""Frames whose mean is taken off: what changes more slowly than that is not the air's speckle."""
_NOISIEST = 1.0
_FAINT = 0.1
_UPPER = np.triu_indices(RINGS, 1)


@dataclass(frozen=True)
class GainSpread:
    """How gains vary together, mean over sectors and patches."""

    covariance: Curve
    """(5, 5) of the gains in five rings, over their squared mean, noise included."""
    noise: Curve
    """(5, 5) the part of the covariance that noise makes."""
    weight: float

    @staticmethod
    def pool(parts: list[GainSpread]) -> GainSpread | None:
        """Return the weighted mean; None where no part has weight."""
        weight = sum(part.weight for part in parts)
        if weight <= 0:
            return None
        covariance = sum((part.weight * part.covariance for part in parts), np.zeros((RINGS, RINGS)))
        noise = sum((part.weight * part.noise for part in parts), np.zeros((RINGS, RINGS)))
        return GainSpread(covariance / weight, noise / weight, weight)


def spread_of_gains(moved: Spectra, modes: Modes, noise: Curve, size_px: int) -> GainSpread:
    """Return how the gains of one patch's exposures vary.

    `moved` (n, K) are spectra with their motion undone, in order of time, `noise` (K,) the mean power of their noise.
    Each exposure is held against the mean of all others. Weight 0 where noise hides everything.
    """
    members = _cells(modes)
    gain, mean = _gains(moved, members)
    made_by_noise = _noise_of_gains(moved.mean(0), modes, noise, size_px, members)
    parts = []
    for sector in range(SECTORS):
        middle = mean[:, sector]
        if not (middle > 0).all():
            continue
        scale = np.outer(middle, middle)
        own = made_by_noise[:, sector, :, sector] / scale
        level = float(np.trace(own[:3, :3])) / 3.0
        if level < _NOISIEST:
            parts.append(GainSpread(_within_stretches(gain[:, :, sector]) / scale, own, 1.0 / (_FAINT + level) ** 2))
    pooled = GainSpread.pool(parts)
    return pooled or GainSpread(np.zeros((RINGS, RINGS)), np.zeros((RINGS, RINGS)), 0.0)


def covariance_of(moved: Spectra, modes: Modes) -> Curve:
    """Return the covariance (5, 5) of gains of noiseless, independent exposures, over their squared mean."""
    gain, mean = _gains(moved, _cells(modes))
    off = gain / mean - 1.0
    return np.asarray(np.einsum("ias,ibs->ab", off, off) / ((len(moved) - 1) * SECTORS))


def _cells(modes: Modes) -> NDArray[np.float32]:
    """Return which of the 5 x 4 cells of ring and sector, (K, 20), each mode belongs to."""
    ring = np.digitize(modes.relative, EDGES) - 1
    sector = np.minimum((modes.angle * (SECTORS / np.pi)).astype(np.intp), SECTORS - 1)
    members = np.zeros((len(ring), RINGS * SECTORS), np.float32)
    seen = np.flatnonzero((ring >= 0) & (ring < RINGS))
    members[seen, ring[seen] * SECTORS + sector[seen]] = 1.0
    return members


def _gains(moved: Spectra, members: NDArray[np.float32]) -> tuple[Curve, Curve]:
    """Return each exposure's product with the mean of the others (n, 5, 4), and its mean (5, 4)."""
    others = ((moved.sum(0) - moved) / np.float32(len(moved) - 1)).conj()
    gain = ((moved * others).real @ members).astype(np.float64).reshape(-1, RINGS, SECTORS)
    return gain, np.asarray(gain.mean(0))


def _within_stretches(gain: Curve) -> Curve:
    """Return the covariance (5, 5) of gains (n, 5) about the means of stretches of time."""
    count = max(len(gain) // STRETCH, 1)
    stretch = np.arange(len(gain)) * count // len(gain)
    means = np.stack([np.bincount(stretch, column, count) for column in gain.T], 1)
    off = gain - (means / np.bincount(stretch, minlength=count)[:, None])[stretch]
    return np.asarray(off.T @ off / max(len(gain) - count, 1))


def _noise_of_gains(mean: Spectra, modes: Modes, noise: Curve, size_px: int, members: NDArray[np.float32]) -> Curve:
    """Return the covariance (5, 4, 5, 4) that noise gives the products with `mean` (K,).

    The window makes the noise of neighbouring modes correlate. So the products are taken in the patch itself, where
    noise is white under the window: sum over pixels of (window times the mean seen through a cell)^2.
    """
    row = np.rint(modes.row * size_px).astype(np.intp)
    column = np.rint(modes.column * size_px).astype(np.intp)
    shown = ((mean * np.sqrt(noise))[:, None] * members).T
    planes = np.zeros((members.shape[1], size_px, size_px // 2 + 1), np.complex64)
    planes[:, row % size_px, column] = shown
    # The transform of a real picture reads both halves of the first column.
    twice = column == 0
    planes[:, -row[twice] % size_px, 0] = shown[:, twice].conj()
    window = np.outer(hann(size_px), hann(size_px))
    seen = (scipy.fft.irfft2(planes, (size_px, size_px)) * window).reshape(len(planes), -1).astype(np.float64)
    power = seen @ seen.T * (0.25 * size_px**4 / float((window.astype(np.float64) ** 2).sum()))
    return np.asarray(power).reshape(RINGS, SECTORS, RINGS, SECTORS)


class ExpectedGains:
    """How gains vary behind one telescope; beyond the table's edge its last value holds."""

    def __init__(self, obstruction_ratio: float) -> None:
        """`obstruction_ratio` is the diameter of the central obstruction over the aperture's."""
        table = _table()
        upper, part = between(table.obstruction, min(max(obstruction_ratio, 0.0), float(table.obstruction[-1])))
        self._along_defocus = HermiteCurve(table.defocus, flat_start=True)
        self._along_ratio = HermiteCurve(table.log_ratio)
        rows = (1.0 - part) * table.numbers[upper - 1] + part * table.numbers[upper]
        self._rows = rows.reshape(len(table.defocus), -1)

    def covariance(self, aperture_over_r0: float, defocus_waves: float) -> Curve:
        """Return the covariance (5, 5) of gains over their squared mean; defocus is static, peak to valley."""
        row = self._along_defocus.weights(abs(defocus_waves)) @ self._rows
        column = self._along_ratio.weights(math.log(aperture_over_r0))
        numbers = column @ row.reshape(len(column), -1)
        alike = np.eye(RINGS)
        alike[_UPPER] = np.tanh(numbers[RINGS:])
        alike.T[_UPPER] = alike[_UPPER]
        deviation = np.exp(0.5 * numbers[:RINGS])
        return np.asarray(alike * np.outer(deviation, deviation))


def numbers_of(covariance: Curve) -> Curve:
    """Return ln of the five variances and artanh of the ten correlations: what the table holds."""
    variance = np.diag(covariance)
    correlation = covariance / np.sqrt(np.outer(variance, variance))
    return np.concatenate([np.log(variance), np.arctanh(correlation[_UPPER])])


@dataclass(frozen=True)
class _Table:
    """Obstructions (O,), defocus in waves (W,), ln D/r0 (Q,), and numbers (O, W, Q, 15)."""

    obstruction: Curve
    defocus: Curve
    log_ratio: Curve
    numbers: Curve


@lru_cache(maxsize=1)
def _table() -> _Table:
    path = Path(__file__).with_name("frame_gains.csv")
    rows = np.loadtxt(path, delimiter=",", skiprows=1)
    axes = [np.unique(rows[:, column]) for column in range(3)]
    numbers = rows[:, 3:].reshape(*(len(axis) for axis in axes), -1)
    return _Table(axes[0], axes[1], np.log(axes[2]), numbers)
