"""What a telescope could show in the air of that night: the yardstick for large and small ones, rough and calm nights.

Of a good stack's transfer there remains, above the halo, a core: M(x) c, with M the telescope's own transfer at x, the
frequency in units of its cutoff, and c what the air leaves of it. Detail is seen up to the frequency at which that
falls to a threshold, which the target's contrast and the noise set. `scripts/experiment_fair_comparison.py` finds the
same threshold in captures of one target through air of D/r0 from 2 to 9.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import hypot, isfinite

import numpy as np
from numpy.typing import NDArray

from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.sky.optics import diffraction_arcsec, diffraction_transfer
from stacker.sky.seeing import seeing_from_fried_parameter_arcsec

Real = NDArray[np.float64]

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


def judge(runs: Sequence[LoggedRun]) -> tuple[Fairness, ...]:
    """Return each run against its limits; the threshold of a target is the median over its runs here."""
    ratio = [d_over_r0(run) for run in runs]
    reached = [over_diffraction(run) for run in runs]
    q = np.array([found.value if found else np.nan for found in ratio])
    x = np.array([1.0 / found.value if found else np.nan for found in reached])
    rings = np.array([obstruction_ratio(run) for run in runs])
    expected, slope = _expected(q, rings, _usual(kept_at(x, q, rings), runs))
    return tuple(_judged(run, ratio[i], reached[i], float(expected[i]), float(slope[i])) for i, run in enumerate(runs))


def over_diffraction(run: LoggedRun) -> Measured | None:
    """Return the resolution in units of lambda / D."""
    found = run.measured.get("resolution_over_diffraction")
    return found if found is not None and found.value > 0 else None


def d_over_r0(run: LoggedRun) -> Measured | None:
    """Return aperture over Fried's parameter at the observing wavelength (r0 grows as wavelength^1.2, Fried 1966)."""
    found, aperture = run.measured.get("r0_mm"), run.aperture_mm
    if found is None or not found.value > 0 or not aperture:
        return None
    ratio = aperture / (found.value * (run.wavelength_nm / R0_NM) ** 1.2)
    return Measured(ratio, None if found.error is None else ratio * found.error / found.value)


def obstruction_ratio(run: LoggedRun) -> float:
    """Return central obstruction over aperture, 0 where none is known."""
    told, aperture = run.said("telescope", "obstruction_mm"), run.aperture_mm
    return min(float(told) / aperture, 0.9) if told and aperture else 0.0


def core_left(ratio: Real) -> Real:
    """Return what air of D/r0 = `ratio` leaves in the core of a good stack: 2.5 / ratio^1.75, 0.95 at most.

    A partly coherent image keeps a core of about one r0's share of the aperture, which falls as the square; choosing
    and aligning frames wins a little back in rough air. Fitted to simulated captures (the experiment named above).
    """
    return np.asarray(np.minimum(0.95, 2.5 / np.maximum(ratio, 1e-3) ** 1.75))


def kept_at(x: Real, ratio: Real, rings: Real) -> Real:
    """Return the transfer left at `x` (in units of the cutoff) in air of D/r0 = `ratio`; all (N,)."""
    x = np.clip(x, 0.0, _FINEST)
    mirror = np.empty(len(x))
    for ring in np.unique(np.round(rings, 2)):
        mine = np.round(rings, 2) == ring
        mirror[mine] = np.interp(x[mine], _grid(), _transfer(float(ring)))
    core = core_left(ratio)
    left: Real = mirror * (core + (1.0 - core) * np.exp(-3.44 * (x * ratio) ** (5.0 / 3.0)))
    return left


def _expected(q: Real, rings: Real, threshold: Real) -> tuple[Real, Real]:
    """Return the expected resolution over lambda / D and how its logarithm grows with that of D/r0; all (N,)."""
    step = 0.02
    at, above = (_reached(q * factor, rings, threshold) for factor in (1.0, 1.0 + step))
    with np.errstate(invalid="ignore"):
        return 1.0 / at, np.log(at / above) / np.log1p(step)


def _reached(q: Real, rings: Real, threshold: Real) -> Real:
    """Return the frequency at which the transfer falls to the threshold, in units of the cutoff; (N,), by bisection."""
    low, high = np.full(len(q), _COARSEST), np.full(len(q), _FINEST)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = kept_at(middle, q, rings) >= threshold
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(np.isfinite(q) & np.isfinite(threshold), low, np.nan)


def _usual(kept: Real, runs: Sequence[LoggedRun]) -> Real:
    """Return, for each run, the median of what was left at the limit over the runs of its target and kind."""
    names = np.array([f"{(run.target or '').casefold()} {run.kind}" for run in runs])
    usual = np.full(len(kept), np.nan)
    for name in np.unique(names):
        mine = names == name
        if np.isfinite(kept[mine]).any():
            usual[mine] = np.exp(np.nanmedian(np.log(kept[mine])))
    return usual


def _judged(
    run: LoggedRun, ratio: Measured | None, reached: Measured | None, expected: float, slope: float
) -> Fairness:
    aperture, resolution = run.aperture_mm, run.measured.get("resolution_arcsec")
    limit = diffraction_arcsec(aperture, run.wavelength_nm) if aperture else None
    air = _seeing_arcsec(run)
    fair = None
    if reached is not None and ratio is not None and isfinite(expected):
        fair = Measured(reached.value / expected, _error_of_fair(reached, ratio, reached.value / expected, slope))
    return Fairness(
        run,
        resolution,
        limit,
        reached,
        None if air is None else air.value,
        _over(resolution, air),
        ratio,
        expected * limit if limit and isfinite(expected) else None,
        fair,
    )


def _error_of_fair(reached: Measured, ratio: Measured, value: float, slope: float) -> float | None:
    """Return the error of what was reached over what was expected; None where either has none."""
    if reached.error is None or ratio.error is None:
        return None
    return value * hypot(reached.error / reached.value, slope * ratio.error / ratio.value)


def _seeing_arcsec(run: LoggedRun) -> Measured | None:
    """Return the seeing disc at the observing wavelength."""
    found = run.measured.get("r0_mm")
    if found is None or not found.value > 0:
        return None
    r0 = found.value * (run.wavelength_nm / R0_NM) ** 1.2
    seeing = seeing_from_fried_parameter_arcsec(r0, run.wavelength_nm)
    return Measured(seeing, None if found.error is None else seeing * found.error / found.value)


def _over(one: Measured | None, other: Measured | None) -> Measured | None:
    if one is None or other is None:
        return None
    value = one.value / other.value
    if one.error is None or other.error is None:
        return Measured(value)
    return Measured(value, value * hypot(one.error / one.value, other.error / other.value))


@lru_cache(maxsize=1)
def _grid() -> Real:
    return np.linspace(0.0, 1.0, _SAMPLES)


@lru_cache(maxsize=64)
def _transfer(ring: float) -> Real:
    return np.asarray(diffraction_transfer(_grid(), ring))
