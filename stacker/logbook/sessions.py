"""The seeing of a site over its sessions: by night, by hour, by altitude, each freed of how low the target stood."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np

from stacker.logbook.columns import Numbers, Real, Texts, Truth, Whole
from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.runs import Runs
from stacker.logbook.standing import moment_from
from stacker.logbook.uncollected import uncollected

AIRMASS_POWER = 0.6
"""Seeing grows as airmass^0.6 (Fried 1966, J. Opt. Soc. Am. 56, 1372)."""
ALTITUDES_DEG = (0.0, 20.0, 30.0, 40.0, 50.0, 60.0, 90.0)
_BY_DAY = ("sun",)
"""Daylight heats the air: what the Sun's runs measure says nothing of the nights."""
_SCATTER = 0.15
"""Of one capture's seeing from minute to minute (common practice, no source); keeps one run's error honest."""


@dataclass(frozen=True)
class Spell:
    """Runs of one night, of one hour or of one range of altitude."""

    label: str
    runs: int
    median_arcsec: float
    error_arcsec: float
    quartiles_arcsec: tuple[float, float]
    as_measured_arcsec: float
    """Median before it is corrected to the zenith."""


@dataclass(frozen=True)
class SeeingRecord:
    """Seeing of many runs, in the zenith where the altitude is known; all at 500 nm, in arcsec."""

    runs: Runs
    zenith_arcsec: Real
    """(N,) of each run."""
    corrected: int
    """Runs whose altitude is known; the others count as measured."""
    nights: tuple[Spell, ...]
    hours: tuple[Spell, ...]
    """By the hour of the Sun at the site, from evening to morning."""
    altitudes: tuple[Spell, ...]
    airmass_power: Measured | None
    """Power of the air mass with which the measured seeing grows within nights: 0.6 by theory; None for too few."""
    usual_arcsec: Measured | None
    """Median over nights of their medians."""


@uncollected()
def seeing_record(runs: Sequence[LoggedRun]) -> SeeingRecord:
    """Return what runs tell of the seeing; the Sun's and those without a seeing are left out."""
    runs = Runs.of(runs)
    kept = runs.taken((runs.measured("seeing_arcsec").value > 0) & ~_by_day(runs))
    seeing, airmass = kept.measured("seeing_arcsec"), kept.numbers("airmass")
    zenith = np.where(np.isfinite(airmass), seeing.value / airmass**AIRMASS_POWER, seeing.value)
    nights = _spells(seeing, zenith, kept.texts("night"))
    return SeeingRecord(
        kept,
        zenith,
        int(np.isfinite(airmass).sum()),
        nights,
        _spells(seeing, zenith, _hours(kept), _HOURS),
        _spells(seeing, zenith, _heights(kept)),
        _airmass_power(seeing.value, airmass, kept.texts("night")),
        _usual(nights),
    )


def _by_day(runs: Runs) -> Truth:
    return runs.texts("target").fits(lambda target: (target or "").strip().casefold() in _BY_DAY)


def _spells(seeing: Numbers, zenith: Real, told: Texts, order: Sequence[str] = ()) -> tuple[Spell, ...]:
    """Return the runs of each label as one spell, in this order or that of the labels."""
    parts = {label: np.flatnonzero(told.codes == code) for code, label in enumerate(told.labels) if label is not None}
    wanted = [label for label in order or sorted(parts) if label in parts and len(parts[label])]
    return tuple(_spell(label, seeing.taken(parts[label]), zenith[parts[label]]) for label in wanted)


def _spell(label: str, seeing: Numbers, zenith: Real) -> Spell:
    low, middle, high = (float(value) for value in np.percentile(zenith, (25, 50, 75)))
    measured = float(np.median(seeing.value))
    return Spell(label, len(zenith), middle, _error_of_median(seeing, zenith), (low, high), measured)


def _error_of_median(seeing: Numbers, zenith: Real) -> float:
    """Return the error of a median: 1.2533 sigma / sqrt(n), sigma from the scatter, the runs' errors at least."""
    own = float(np.median(np.nan_to_num(seeing.error) / seeing.value))
    middle = float(np.median(zenith))
    sigma = middle * math.hypot(own, _SCATTER)
    if len(zenith) > 2:
        sigma = max(sigma, 1.4826 * float(np.median(np.abs(zenith - middle))))
    return (1.2533 if len(zenith) > 2 else 1.0) * sigma / float(np.sqrt(len(zenith)))


def _hours(runs: Runs) -> Texts:
    """Return the hour of the Sun at the site, UTC plus longitude / 15, as `22 h`."""
    east = (np.nan_to_num(runs.numbers("longitude_deg")) + 180.0) % 360.0 - 180.0
    starts = map(moment_from, runs.told("start_utc"))
    return Texts.of([None if start is None else _hour(start, turn) for start, turn in zip(starts, east, strict=True)])


def _hour(start: datetime, east_deg: float) -> str:
    return f"{int((start.hour + start.minute / 60.0 + east_deg / 15.0) % 24.0):02d} h"


_HOURS = tuple(f"{(12 + hour) % 24:02d} h" for hour in range(24))


def _heights(runs: Runs) -> Texts:
    """Return between which altitudes the target stood."""
    altitude = runs.numbers("altitude_deg")
    last = len(ALTITUDES_DEG) - 2
    above = np.clip(np.searchsorted(ALTITUDES_DEG, altitude, "right") - 1, 0, last)
    known = (altitude >= ALTITUDES_DEG[0]) & (altitude <= ALTITUDES_DEG[-1])
    labels = (*(f"{low:02.0f} to {high:.0f} deg" for low, high in pairwise(ALTITUDES_DEG)), None)
    return Texts(np.where(known, above, last + 1), labels)


def _airmass_power(seeing: Real, airmass: Real, night: Texts) -> Measured | None:
    """Return the slope of log seeing over log air mass within nights, by least squares; None for too little spread."""
    known = np.isfinite(airmass) & night.fits(lambda label: label is not None)
    nights = np.unique(night.codes[known], return_inverse=True)[1]
    x, y = np.log(airmass[known]), np.log(seeing[known])
    spare = len(x) - int(nights.max(initial=-1)) - 2
    if spare < 3:
        return None
    x, y = _within(x, nights), _within(y, nights)
    spread = float((x**2).sum())
    if spread < 0.01 * len(x):
        return None
    slope = float((x * y).sum()) / spread
    return Measured(slope, float(np.sqrt(((y - slope * x) ** 2).sum() / spare / spread)))


def _within(values: Real, nights: Whole) -> Real:
    means = np.bincount(nights, values) / np.bincount(nights)
    return np.asarray(values - means[nights], np.float64)


def _usual(nights: Sequence[Spell]) -> Measured | None:
    if not nights:
        return None
    medians = np.array([night.median_arcsec for night in nights])
    if len(medians) < 3:
        return Measured(float(np.median(medians)), nights[0].error_arcsec if len(medians) == 1 else None)
    spread = 1.4826 * float(np.median(np.abs(medians - np.median(medians))))
    return Measured(float(np.median(medians)), 1.2533 * spread / float(np.sqrt(len(medians))))
