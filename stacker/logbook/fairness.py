"""What a telescope could show in the air of that night: the yardstick for large and small ones, rough and calm nights.

Of a good stack's transfer there remains, above the halo, a core: M(x) c, with M the telescope's own transfer at x, the
frequency in units of its cutoff, and c what the air leaves of it. Detail is seen up to the frequency at which that
falls to a threshold, which the target's contrast and the noise set. `scripts/experiment_fair_comparison.py` finds the
same threshold in captures of one target through air of D/r0 from 2 to 9.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from stacker.logbook.columns import Numbers, Real
from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.runs import Runs
from stacker.sky.optics import diffraction_arcsec, diffraction_transfer
from stacker.sky.seeing import seeing_from_fried_parameter_arcsec

R0_NM = 500.0
"""Wavelength at which metrics.json gives Fried's parameter."""
_SAMPLES = 512
_COARSEST, _FINEST = 0.02, 0.98
"""Of the cutoff: beyond it nothing passes, and what reads finer is noise."""
_HALVINGS = 24


@dataclass(frozen=True)
class Fairness:
    """One run against its telescope's limit and against the air; None where something is not known."""

    run: LoggedRun
    resolution_arcsec: Measured | None
    diffraction_arcsec: float | None
    """lambda / D of this telescope."""
    over_diffraction: Measured | None
    """1 is perfect."""
    seeing_arcsec: float | None
    """The seeing disc of that air at the observing wavelength."""
    over_seeing: Measured | None
    """Resolution over the seeing disc: below 1, lucky moments beat the air."""
    d_over_r0: Measured | None
    """Aperture over Fried's parameter at the observing wavelength."""
    expected_arcsec: float | None
    """What this aperture reaches in that air where the threshold is the usual one of this target's runs."""
    over_expected: Measured | None
    """Resolution over `expected_arcsec`: 1 is as good as the others made of their air, less is better."""


@dataclass(frozen=True, eq=False)
class Judged:
    """Many runs against their limits: the columns of `Fairness`, nan where something is not known."""

    runs: Runs
    resolution_arcsec: Numbers
    diffraction_arcsec: Real
    over_diffraction: Numbers
    seeing_arcsec: Real
    over_seeing: Numbers
    d_over_r0: Numbers
    expected_arcsec: Real
    over_expected: Numbers

    def __len__(self) -> int:
        return len(self.runs)

    def __iter__(self) -> Iterator[Fairness]:
        return map(self.of, range(len(self)))

    def of(self, place: int) -> Fairness:
        """Return what one run tells."""
        return Fairness(
            self.runs[place],
            self.resolution_arcsec.at(place),
            _known(self.diffraction_arcsec, place),
            self.over_diffraction.at(place),
            _known(self.seeing_arcsec, place),
            self.over_seeing.at(place),
            self.d_over_r0.at(place),
            _known(self.expected_arcsec, place),
            self.over_expected.at(place),
        )


def judge(runs: Sequence[LoggedRun]) -> Judged:
    """Return each run against its limits; the threshold of a target is the median over its runs here."""
    runs = Runs.of(runs)
    aperture, wavelength = runs.numbers("aperture_mm"), runs.numbers("wavelength_nm")
    aperture = np.where(aperture > 0, aperture, np.nan)
    resolution = runs.measured("resolution_arcsec")
    reached = runs.measured("resolution_over_diffraction").positive()
    r0 = runs.measured("r0_mm").positive().times((wavelength / R0_NM) ** 1.2)
    seeing = Numbers.exact(seeing_from_fried_parameter_arcsec(1.0, 1.0) * wavelength).over(r0)
    d_over_r0 = Numbers.exact(aperture).over(r0)
    rings = _obstruction_ratios(runs.numbers("obstruction_mm"), aperture)
    threshold = _usual(_of_each_ring(kept_at, rings, 1.0 / reached.value, d_over_r0.value), runs)
    expected = _expected(d_over_r0, rings, threshold)
    limit = diffraction_arcsec(1.0, 1.0) * wavelength / aperture
    return Judged(
        runs,
        resolution,
        limit,
        reached,
        seeing.value,
        resolution.over(seeing),
        d_over_r0,
        expected.value * limit,
        reached.over(expected),
    )


def _obstruction_ratios(obstruction_mm: Real, aperture_mm: Real) -> Real:
    """Return central obstruction over aperture, 0 where none is known."""
    return np.nan_to_num(np.minimum(obstruction_mm / aperture_mm, 0.9))


def core_left(ratio: Real) -> Real:
    """Return what air of D/r0 = `ratio` leaves in the core of a good stack: 2.5 / ratio^1.75, 0.95 at most.

    A partly coherent image keeps a core of about one r0's share of the aperture, which falls as the square; choosing
    and aligning frames wins a little back in rough air. Fitted to simulated captures (the experiment named above).
    """
    return np.asarray(np.minimum(0.95, 2.5 / np.maximum(ratio, 1e-3) ** 1.75))


def kept_at(x: Real, ratio: Real, ring: float) -> Real:
    """Return the transfer left at `x` (in units of the cutoff) in air of D/r0 = `ratio`; all (N,).

    `ring` is the central obstruction over the aperture.
    """
    x = np.clip(x, 0.0, _FINEST)
    core = core_left(ratio)
    left: Real = np.interp(x, _grid(), _transfer(ring)) * (
        core + (1.0 - core) * np.exp(-3.44 * (x * ratio) ** (5.0 / 3.0))
    )
    return left


def _of_each_ring(find: Callable[..., Real], rings: Real, *columns: Real) -> Real:
    """Return what `find` makes of the columns and an obstruction, for each run by its own to two digits; (N,)."""
    found, rounded = np.empty(len(rings)), np.round(rings, 2)
    for ring in set(rounded.tolist()):
        mine = rounded == ring
        found[mine] = find(*(column[mine] for column in columns), ring)
    return found


def _expected(d_over_r0: Numbers, rings: Real, threshold: Real) -> Numbers:
    """Return the expected resolution over lambda / D, with the error that D/r0 brings in."""
    step = 0.02
    at, above = (_of_each_ring(_reached, rings, d_over_r0.value * factor, threshold) for factor in (1.0, 1.0 + step))
    slope = np.log(at / above) / np.log1p(step)
    return Numbers(1.0 / at, np.abs(slope) * d_over_r0.error / d_over_r0.value / at)


def _reached(q: Real, threshold: Real, ring: float) -> Real:
    """Return the frequency at which the transfer falls to the threshold, in units of the cutoff; (N,), by bisection."""
    low, high = np.full(len(q), _COARSEST), np.full(len(q), _FINEST)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = kept_at(middle, q, ring) >= threshold
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(np.isfinite(q) & np.isfinite(threshold), low, np.nan)


def _usual(kept: Real, runs: Runs) -> Real:
    """Return, for each run, the median of what was left at the limit over the runs of its target and kind."""
    targets, kinds = runs.texts("target").each(lambda target: (target or "").casefold()), runs.texts("kind")
    alike = targets.codes * len(kinds.labels) + kinds.codes
    usual = np.full(len(kept), np.nan)
    for code in np.flatnonzero(np.bincount(alike)):
        mine = alike == code
        found = kept[mine & np.isfinite(kept)]
        if len(found):
            usual[mine] = np.exp(np.median(np.log(found)))
    return usual


def _known(column: Real, place: int) -> float | None:
    return float(column[place]) if np.isfinite(column[place]) else None


@lru_cache(maxsize=1)
def _grid() -> Real:
    return np.linspace(0.0, 1.0, _SAMPLES)


@lru_cache(maxsize=64)
def _transfer(ring: float) -> Real:
    return np.asarray(diffraction_transfer(_grid(), ring))
