"""How the sharpness of single exposures varies together, at coarse and fine detail and along all directions.

A frame's gain is the part of the mean spectrum that it shows, Re <F M*> / <|M|^2>, in a cell of frequencies. It does
not depend on the object, hardly on motion, and noise enters it only once. Air alone makes gains vary little at coarse
detail, and alike beyond a third of the cutoff. A static defocus adds to the air's own, which has now the same sign and
now the other: gains vary at coarse detail too, and all together. With it the air's astigmatism sharpens detail along
one direction while it blurs what runs across (as a lens' astigmatism does out of focus); in focus it blurs both.

`frame_gains.csv` beside this file holds what simulated wavefronts give, from the same screens as `short_exposures.csv`
while r0 wanders by 10 %, in windowed patches of random detail as they are measured: so narrow a window lets the gains
at the coarsest detail vary by a tenth more than the bare transfer does, which would pass for defocus.
`python scripts/experiment_seeing.py --gains` makes it anew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.patch_places import hann
from stacker.measuring.recentring import Modes, Spectra
from stacker.measuring.short_exposures import HermiteCurve, between

Curve = NDArray[np.float64]
Real = NDArray[np.float32]

EDGES = (0.15, 0.25, 0.35, 0.45, 0.55, 0.65)
"""Of the rings, in units of the cutoff."""
RINGS, SECTORS = len(EDGES) - 1, 4
_HALF_SECTOR_RAD = 0.5 * np.pi / SECTORS
LAGS = SECTORS // 2 + 1
"""Sectors can be 0, 1 or 2 apart: directions have no sign."""
MIDDLES = np.array([0.5 * (low + high) for low, high in zip(EDGES, EDGES[1:], strict=False)])
_RUN_PX = 8192
STRETCH = 20
"""Frames whose mean is taken off: what changes more slowly than that is not the air's speckle."""
_NOISIEST = 2.0
_FAINT = 0.1
_LIKENESS = (1.0, 0.7, 0.5)
"""Correlation of the gains of sectors 0, 1 and 2 apart, roughly: it only chooses the mixtures to look at."""
_MOSTLY = 0.5
_UPPER = np.triu_indices(RINGS, 1)
_PLACES = np.full((RINGS, RINGS), len(_UPPER[0]))
_PLACES[_UPPER] = _PLACES.T[_UPPER] = np.arange(len(_UPPER[0]))
"""Where in a row of correlations, with 1 at its end, each of a matrix stands."""
_TURNS = np.cos(0.5 * np.pi * np.outer(np.arange(LAGS), np.arange(LAGS)))
_FROM_TURNS = _TURNS * (1.0, 2.0, 1.0) / SECTORS


@dataclass(frozen=True)
class PatchGains:
    """The gains of one patch's exposures in five rings times four sectors, each over its mean, less 1."""

    off: Curve
    """(n, 5, 4), nan where the frame does not show the patch."""
    probes: Real
    """(5, 4, size, size) what the noise of each pixel adds to the gains."""
    weight: Curve
    """(4,) of each sector; 0 where noise hides it."""


@dataclass(frozen=True)
class GainSpread:
    """How gains vary together in m <= 4 mixtures of sectors that vary each for itself."""

    covariance: Curve
    """(m, 5, 5) without noise."""
    noise: Curve
    """(m, 5, 5) the noise left in it."""
    lags: Curve
    """(m, 3) how much of the covariances of sectors 0, 1 and 2 apart is in it."""

    @staticmethod
    def pool(parts: list[PatchGains], corners_px: NDArray[np.intp]) -> GainSpread | None:
        """Return what all patches, with their `corners_px` (P, 2), show; None where noise hides it in all.

        Patches see much the same wavefront: averaged frame by frame, they leave little noise.
        """
        weights = np.array([part.weight for part in parts])
        seen = _seen_together(weights)
        if not len(seen):
            return None
        share = weights[:, seen] / weights[:, seen].sum(0)
        off = np.array([part.off[:, :, seen] for part in parts])
        shown = np.isfinite(off[:, :, :1, :1]) * share[:, None, None, :]
        frames = (shown.sum(0) > _MOSTLY).all((1, 2))
        if frames.sum() < STRETCH:
            return None
        mean = (np.nan_to_num(off) * shown).sum(0)[frames] / shown.sum(0)[frames]
        noise = _noise_together(parts, share, seen, corners_px)
        covariance = _within_stretches(mean) - noise
        mixtures, apart = _mixtures(noise, seen), _apart(seen)

        def through(cube: Curve) -> Curve:
            return np.asarray(np.einsum("ms,rsqt,mt->mrq", mixtures, cube, mixtures))

        lags = np.stack([np.einsum("ms,st,mt->m", mixtures, apart == lag, mixtures) for lag in range(LAGS)], 1)
        return GainSpread(through(covariance), through(noise), lags)


def _seen_together(weights: Curve) -> NDArray[np.intp]:
    """Return the sectors of which each two are seen in some patch, the brightest first to be kept."""
    pairs = np.einsum("ps,pt->st", weights, weights)
    seen = np.flatnonzero(np.diag(pairs) > 0)
    while not (pairs[np.ix_(seen, seen)] > 0).all():
        seen = np.delete(seen, np.diag(pairs)[seen].argmin())
    return np.asarray(seen)


def _noise_together(
    parts: list[PatchGains], share: Curve, seen: NDArray[np.intp], corners_px: NDArray[np.intp]
) -> Curve:
    """Return the covariance (5, m, 5, m) that noise gives the patches' mean gains; they share it where they overlap."""
    corners, size = corners_px - corners_px.min(0), parts[0].probes.shape[-1]
    canvas = np.zeros((RINGS, len(seen), *(corners.max(0) + size)), np.float32)
    for part, (top, left), own in zip(parts, corners, share.astype(np.float32), strict=True):
        canvas[:, :, top : top + size, left : left + size] += part.probes[:, seen] * own[:, None, None]
    return _products(canvas)


def _products(probes: Real) -> Curve:
    """Return the covariance (5, m, 5, m) of gains by noise from their probes (5, m, h, w)."""
    flat = probes.reshape(probes.shape[0] * probes.shape[1], -1)
    # Single precision is enough within a run of pixels, and takes half the time and memory.
    total = np.zeros((len(flat), len(flat)))
    for first in range(0, flat.shape[1], _RUN_PX):
        run = flat[:, first : first + _RUN_PX]
        total += run @ run.T
    return total.reshape(probes.shape[:2] * 2)


def _apart(places: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return how many sectors (m, m) lie between those at `places`."""
    steps = np.abs(places[:, None] - places[None, :])
    return np.asarray(np.minimum(steps, SECTORS - steps))


def _mixtures(noise: Curve, places: NDArray[np.intp]) -> Curve:
    """Return the mixtures (m, m) of sectors, a row each, that neither the air nor noise makes vary together."""
    level = np.einsum("rsrs->s", noise[:3, :, :3]) / 3.0
    alike = np.array(_LIKENESS)[_apart(places)]
    scale = 1 / np.sqrt(level + 1e-3)
    vectors = (scale[:, None] * np.linalg.eigh(scale[:, None] * alike * scale)[1]).T
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def patch_gains(
    moved: Spectra,
    modes: Modes,
    noise: Curve,
    size_px: int,
    inside: NDArray[np.bool_] | None = None,
    middle_rad: float = _HALF_SECTOR_RAD,
) -> PatchGains:
    """Return the gains of one patch's exposures.

    `moved` (k, K) are spectra with their motion undone, in order of time, `noise` (K,) the mean power of their noise,
    `inside` (n,) which k of n frames they are of, `middle_rad` the direction on which the first sector stands. Each
    exposure is held against the mean of all others.
    """
    members = _cells(modes, middle_rad)
    gain, mean = _gains(moved, members)
    seen = (mean > 0).all(0)
    scale = np.where(seen, mean, 1.0)
    inside = np.ones(len(moved), bool) if inside is None else inside
    off = np.full((len(inside), RINGS, SECTORS), np.nan)
    off[inside] = gain / scale - 1.0
    probes = _probes(moved.mean(0), modes, noise, size_px, members).reshape(RINGS, SECTORS, size_px, size_px)
    probes /= scale[:, :, None, None].astype(np.float32)
    level = np.square(probes[:3], dtype=np.float64).sum((0, 2, 3)) / 3.0
    return PatchGains(off, probes, np.where(seen & (level < _NOISIEST), 1.0 / (_FAINT + level), 0.0))


def covariance_of(patches: list[Spectra], modes: Modes) -> Curve:
    """Return the covariances (3, 5, 5) of gains of noiseless, independent exposures, sectors 0, 1 and 2 apart.

    Each patch (n, K) shows the same exposures of other detail; their gains are averaged.
    """
    members = _cells(modes)
    off = np.mean([gain / mean - 1.0 for gain, mean in (_gains(moved, members) for moved in patches)], 0)
    turned = (np.einsum("ias,ibs->ab", off, np.roll(off, -lag, 2)) for lag in range(LAGS))
    return np.stack([0.5 * (part + part.T) for part in turned]) / ((len(off) - 1) * SECTORS)


def main_direction_rad(power: Curve, modes: Modes) -> float:
    """Return the direction, 0 to pi, along which the detail of power (K,) varies most.

    A sector stands on it: on the border of two, a planet's belts would make both vary alike.
    """
    weight = np.where((modes.relative >= EDGES[0]) & (modes.relative < EDGES[3]), power * modes.relative**2, 0.0)
    return float(0.5 * np.angle((weight * np.exp(2j * modes.angle)).sum()) % np.pi)


def _cells(modes: Modes, middle_rad: float = _HALF_SECTOR_RAD) -> NDArray[np.float32]:
    """Return which of the 5 x 4 cells of ring and sector, (K, 20), each mode belongs to."""
    ring = np.digitize(modes.relative, EDGES) - 1
    turned = (modes.angle - (middle_rad - _HALF_SECTOR_RAD)) % np.pi
    sector = np.minimum((turned * (SECTORS / np.pi)).astype(np.intp), SECTORS - 1)
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
    """Return the covariance (5, m, 5, m) of gains (n, 5, m) about the means of stretches of time."""
    flat, count = gain.reshape(len(gain), -1), max(len(gain) // STRETCH, 1)
    stretch = np.arange(len(flat)) * count // len(flat)
    means = np.stack([np.bincount(stretch, column, count) for column in flat.T], 1)
    off = flat - (means / np.bincount(stretch, minlength=count)[:, None])[stretch]
    return np.asarray(off.T @ off / max(len(flat) - count, 1)).reshape(gain.shape[1:] * 2)


def _probes(mean: Spectra, modes: Modes, noise: Curve, size_px: int, members: NDArray[np.float32]) -> Real:
    """Return what unit noise of each pixel adds to the products with `mean` (K,), (20, size, size).

    The window makes the noise of neighbouring modes correlate. So the products are taken in the patch itself, where
    noise is white under the window: window times the mean seen through a cell.
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
    window *= 0.5 * size_px**2 / np.sqrt(np.square(window, dtype=np.float64).sum())
    return np.asarray(np.fft.irfft2(planes, (size_px, size_px)) * window, np.float32)


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
        """Return the covariances (3, 5, 5) of gains over their squared mean, sectors 0, 1 and 2 apart.

        Defocus is static, peak to valley.
        """
        row = self._along_defocus.weights(abs(defocus_waves)) @ self._rows
        column = self._along_ratio.weights(math.log(aperture_over_r0))
        numbers = (column @ row.reshape(len(column), -1)).reshape(LAGS, -1)
        alike = np.concatenate([np.tanh(numbers[:, RINGS:]), np.ones((LAGS, 1))], 1)[:, _PLACES]
        deviation = np.exp(0.5 * numbers[:, :RINGS])
        turning = alike * deviation[:, :, None] * deviation[:, None, :]
        return np.asarray((_FROM_TURNS @ turning.reshape(LAGS, -1)).reshape(turning.shape))


def numbers_of(covariance: Curve) -> Curve:
    """Return ln of five variances and artanh of ten correlations (3, 15): what the table holds.

    They are of the parts of the gains that are the same all round, and that turn twice and four times. `covariance`
    (3, 5, 5) is that of sectors 0, 1 and 2 apart.
    """
    turning = np.tensordot(_TURNS * (1.0, 2.0, 1.0), covariance, 1)
    variance = np.einsum("krr->kr", turning)
    correlation = turning / np.sqrt(variance[:, :, None] * variance[:, None, :])
    return np.concatenate([np.log(variance), np.arctanh(correlation[:, _UPPER[0], _UPPER[1]])], 1)


@dataclass(frozen=True)
class _Table:
    """Obstructions (O,), defocus in waves (W,), ln D/r0 (Q,), and numbers (O, W, Q, 45)."""

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
