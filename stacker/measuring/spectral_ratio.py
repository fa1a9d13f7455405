"""How much of the power of single exposures their mean keeps, ring by ring: the spectral ratio.

Von der Luehe 1984, J. Opt. Soc. Am. A 1, 510: |<F>|^2 / <|F|^2> does not depend on the object. Exposures of one block
of time share their speckle, so the mean's power is taken from products between blocks, which leaves no bias of noise or
of speckle that lasts for several frames.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.frame_gains import GainSpread, PatchGains, main_direction_rad, patch_gains
from stacker.measuring.patch_spectra import PatchSpectra
from stacker.measuring.recentring import Modes, Shifts, Spectra, recentre
from stacker.parallel import forked_map

Curve = NDArray[np.float64]

BLOCKS = 12
FEWEST_FRAMES = 36
_LOWEST, _HIGHEST = 0.05, 0.72
_NARROWEST = 0.03
_WIDTH = 0.8
_SECTORS = 8
_NEAR, _FAR = 0.3, 0.8
_OUTLIER = 4.0


@dataclass(frozen=True)
class SpectralRatio:
    """Curves over R rings, with a jackknife over blocks of time."""

    frequency: Curve
    """(R,) in units of the cutoff."""
    lost: Curve
    """(R,) -ln of the spectral ratio: ln (1 + P + O), see `short_exposures.py`; nan where nothing is seen."""
    lost_error: Curve
    even: Curve
    """(R,) P - O."""
    even_error: Curve
    snr: Curve
    """(R,) power of single exposures over that of their noise."""
    by_direction: Curve
    """(8,) what is lost in each sector of direction over what is lost in its ring, less 1, mean over 0.15 to 0.5."""
    by_direction_error: Curve
    spread_of_detail: float
    """Power of the mean in its weakest sector of direction over the average: 1 for detail that runs all ways alike."""
    apart: float | None
    """Variance along one axis, in (lambda / D)^2, of motion between patches half a patch apart; None for one patch."""
    farthest_apart: tuple[float, float] | None
    """(separation in patches, the same variance) of the patches farthest apart."""
    patches: int
    gains: GainSpread | None = None
    """How the sharpness of single exposures varies; None where noise hides it."""


@dataclass(frozen=True)
class _Sums:
    """One patch, summed over the frames of each block: (B, K) spectra, their power, their squares; (B,) frames."""

    whole: NDArray[np.complex128]
    power: Curve
    square: NDArray[np.complex128]
    count: Curve
    noise: Curve


def spectral_ratio(seen: PatchSpectra, workers: int = 1) -> SpectralRatio | None:
    """Return the ratio over all patches that enough frames show; None where there is none."""
    patches = np.flatnonzero(seen.inside.sum(1) >= FEWEST_FRAMES)
    if not len(patches):
        return None

    power = np.mean([_power(seen.spectra[p][seen.inside[p]]) - seen.noise[p] for p in patches], 0)
    middle_rad = main_direction_rad(power, seen.modes)

    def add_up(patch: int) -> tuple[_Sums, Shifts, PatchGains]:
        inside = seen.inside[patch]
        moved, shift = recentre(seen.spectra[patch][inside], seen.modes)
        everywhere = np.full((2, len(inside), 2), np.nan)
        everywhere[:, inside] = shift * seen.modes.cutoff
        noise = seen.noise[patch]
        gains = patch_gains(moved, seen.modes, noise, seen.size_px, inside, middle_rad)
        return _sum_blocks(moved, noise), everywhere, gains

    parts = list(forked_map(add_up, patches.tolist(), workers))
    sums, shifts = [part[0] for part in parts], [part[1] for part in parts]
    apart = _motion_apart(shifts, seen.corners_px[patches] / seen.size_px)
    near = [variance for distance, variance in apart if _NEAR <= distance <= _FAR]
    within = float(np.mean(near)) if near else None
    found = _curves(sums, seen.modes, seen.size_px, within, max(apart, default=None))
    return replace(found, gains=GainSpread.pool([part[2] for part in parts], seen.corners_px[patches]))


def _power(spectra: Spectra) -> Curve:
    return np.asarray((spectra.real**2 + spectra.imag**2).mean(0), np.float64)


def _sum_blocks(moved: Spectra, noise: Curve) -> _Sums:
    block = np.arange(len(moved)) * BLOCKS // len(moved)
    parts = [moved[block == number] for number in range(BLOCKS)]
    return _Sums(
        np.stack([part.sum(0, dtype=np.complex128) for part in parts]),
        np.stack([(part.real**2 + part.imag**2).sum(0, dtype=np.float64) for part in parts]),
        np.stack([(part**2).sum(0, dtype=np.complex128) for part in parts]),
        np.bincount(block, minlength=BLOCKS).astype(np.float64),
        noise,
    )


def _curves(
    sums: list[_Sums], modes: Modes, size_px: int, apart: float | None, farthest: tuple[float, float] | None
) -> SpectralRatio:
    width = max(_WIDTH / (size_px * modes.cutoff), _NARROWEST)
    edges = np.arange(_LOWEST, _HIGHEST, width)
    ring = np.digitize(modes.relative, edges) - 1
    rings = len(edges) - 1
    used = (ring >= 0) & (ring < rings)
    sector = (modes.angle * (_SECTORS / np.pi)).astype(np.intp) % _SECTORS
    cell = np.where(used, ring * _SECTORS + sector, rings * _SECTORS)

    def kept(part: _Sums, weight: Curve) -> Curve:
        """Return (4, R, 8) sums: power of the mean, of exposures less noise, of noise, and P - O times the mean's."""
        total = [np.bincount(cell, values, rings * _SECTORS + 1)[:-1] for values in _mode_powers(part, weight)]
        return np.reshape(total, (4, rings, _SECTORS))

    def without(block: int) -> Curve:
        return _statistics(np.sum([kept(part, (np.arange(BLOCKS) != block).astype(float)) for part in sums], 0))

    patches = np.stack([kept(part, np.ones(BLOCKS)) for part in sums])
    whole, left_out = patches.sum(0), np.stack([without(block) for block in range(BLOCKS)])
    value = _statistics(whole)
    error = np.sqrt((BLOCKS - 1) / BLOCKS * ((left_out - left_out.mean(0)) ** 2).sum(0))
    error[: 2 * rings] = np.maximum(error[: 2 * rings], _of_the_scene(patches.sum(3), value[: 2 * rings]))
    with np.errstate(divide="ignore", invalid="ignore"):
        snr = whole[1].sum(1) / whole[2].sum(1)
    middle = _middle(rings)
    detail = np.maximum(whole[0, middle].sum(0), 0.0)
    spread = float(detail.min() / max(detail.mean(), 1e-300))
    frequency = np.bincount(ring[used], modes.relative[used], rings) / np.maximum(
        np.bincount(ring[used], minlength=rings), 1
    )
    return SpectralRatio(
        frequency, value[:rings], error[:rings], value[rings : 2 * rings], error[rings : 2 * rings], snr,
        value[2 * rings :], error[2 * rings :], spread, apart, farthest, len(sums),
    )  # fmt: skip


def _mode_powers(part: _Sums, weight: Curve) -> tuple[Curve, Curve, Curve, Curve]:
    """Return, for each mode, power of the mean, of single exposures less noise, of noise, and the even speckle."""
    count = float(weight @ part.count)
    total = weight @ part.whole
    own = weight @ (part.whole.real**2 + part.whole.imag**2)
    mean_power = (total.real**2 + total.imag**2 - own) / (count**2 - float(weight @ part.count**2))
    phase = np.conj(total) / np.maximum(np.abs(total), 1e-300)
    even = ((weight @ part.square) / count * phase**2).real - np.abs(total / count) ** 2
    return mean_power, weight @ part.power / count - part.noise, part.noise, even


def _statistics(sums: Curve) -> Curve:
    """Return lost (R,), even (R,) and what is lost by direction (8,) in one row."""
    mean, single, _, even = sums
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = np.log(single.sum(1) / mean.sum(1))
        share = even.sum(1) / mean.sum(1)
        by_cell = np.log(single / mean)
    return np.concatenate([lost, share, _by_direction(by_cell, lost, mean, len(lost))])


def _of_the_scene(patches: Curve, value: Curve) -> Curve:
    """Return the errors (2 R,) of what is lost and of the even speckle, `value` (2 R,), by how patches differ.

    They see the same air, so what sums over single patches (P, 4, R) differ by is of their scenes: where beams part
    within a patch, most at frequencies that its scene hardly has. The variance of a ratio of totals (Cochran 1977,
    Sampling Techniques, chapter 6). Zero for one patch.
    """
    count, (mean, single, _, even) = len(patches), patches.transpose(1, 0, 2)
    kept, share = np.split(value, 2)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        off = np.concatenate([single * np.exp(-kept) - mean, even - share * mean], 1)
        variance = (off**2).sum(0) * count / max(count - 1, 1) / np.tile(mean.sum(0), 2) ** 2
    return np.sqrt(np.nan_to_num(variance, nan=0.0)) if count > 1 else np.zeros(len(value))


def _by_direction(by_cell: Curve, lost: Curve, mean: Curve, rings: int) -> Curve:
    middle = _middle(rings)
    part, whole, weight = by_cell[middle], lost[middle, None], np.maximum(mean[middle], 0.0)
    good = np.isfinite(part) & np.isfinite(whole) & (whole > 0)
    weight = np.where(good, weight, 0.0)
    above = np.where(good, weight * part, 0.0).sum(0)
    below = np.where(good, weight * whole, 0.0).sum(0)
    return np.asarray(above / np.maximum(below, 1e-300) - 1.0)


def _middle(rings: int) -> slice:
    """Return the rings of 0.15 to 0.5 of the cutoff."""
    return slice(int(0.2 * rings), max(int(0.7 * rings), int(0.2 * rings) + 1))


def _motion_apart(shifts: list[Shifts], corners: Curve) -> list[tuple[float, float]]:
    """Return (separation in patches, variance) for all pairs of patches.

    The product of what the two sets of modes measured is free of their noise.
    """
    found = []
    for one in range(len(corners)):
        for other in range(one + 1, len(corners)):
            between = shifts[one] - shifts[other]
            between = between[:, np.isfinite(between).all((0, 2))]
            if between.shape[1] < FEWEST_FRAMES:
                continue
            between = between - np.median(between, 1, keepdims=True)
            limit = _OUTLIER * 1.4826 * float(np.median(np.abs(between)))
            between = np.clip(between, -limit, limit)
            distance = float(np.hypot(*(corners[one] - corners[other])))
            found.append((distance, float((between[0] * between[1]).mean())))
    return found
