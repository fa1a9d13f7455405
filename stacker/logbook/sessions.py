"""The seeing of a site over its sessions: by night, by hour, by altitude, each freed of how low the target stood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.standing import moment_from
from stacker.logbook.uncollected import uncollected

Real = NDArray[np.float64]

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

    runs: tuple[LoggedRun, ...]
    zenith_arcsec: tuple[float, ...]
    """Of each run."""
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


def zenith_seeing_arcsec(run: LoggedRun) -> float | None:
    """Return the seeing in the zenith: over airmass^0.6, or as measured where the altitude is not known."""
    seeing = run.value("seeing_arcsec")
    if seeing is None or not seeing > 0:
        return None
    return seeing if run.airmass is None else seeing / float(run.airmass) ** AIRMASS_POWER


@uncollected()
def seeing_record(runs: Sequence[LoggedRun]) -> SeeingRecord:
    """Return what runs tell of the seeing; the Sun's and those without a seeing are left out."""
    told = [(run, seeing) for run in runs if not _by_day(run) and (seeing := zenith_seeing_arcsec(run)) is not None]
    kept, zenith = [run for run, _ in told], np.array([seeing for _, seeing in told])
    nights = _spells(kept, zenith, [run.night for run in kept])
    return SeeingRecord(
        tuple(kept),
        tuple(float(value) for value in zenith),
        sum(run.airmass is not None for run in kept),
        nights,
        _spells(kept, zenith, [_hour(run) for run in kept], _HOURS),
        _spells(kept, zenith, [_height(run) for run in kept]),
        _airmass_power(kept),
        _usual(nights),
    )


def _by_day(run: LoggedRun) -> bool:
    return (run.target or "").strip().casefold() in _BY_DAY


def _spells(
    runs: Sequence[LoggedRun], zenith: Real, labels: Sequence[str | None], order: Sequence[str] = ()
) -> tuple[Spell, ...]:
    parts: dict[str, list[int]] = {}
    for index, label in enumerate(labels):
        if label is not None:
            parts.setdefault(label, []).append(index)
    wanted = [label for label in order if label in parts] or sorted(parts)
    return tuple(_spell(label, [runs[i] for i in parts[label]], zenith[parts[label]]) for label in wanted)


def _spell(label: str, runs: Sequence[LoggedRun], zenith: Real) -> Spell:
    low, middle, high = (float(value) for value in np.percentile(zenith, (25, 50, 75)))
    measured = float(np.median([run.value("seeing_arcsec") or np.nan for run in runs]))
    return Spell(label, len(runs), middle, _error_of_median(runs, zenith), (low, high), measured)


def _error_of_median(runs: Sequence[LoggedRun], zenith: Real) -> float:
    """Return the error of a median: 1.2533 sigma / sqrt(n), sigma from the scatter, the runs' errors at least."""
    own = [_relative_error(run) for run in runs]
    sigma = float(np.median(zenith)) * float(np.hypot(np.median(own), _SCATTER))
    if len(zenith) > 2:
        sigma = max(sigma, 1.4826 * float(np.median(np.abs(zenith - np.median(zenith)))))
    return (1.2533 if len(zenith) > 2 else 1.0) * sigma / float(np.sqrt(len(zenith)))


def _relative_error(run: LoggedRun) -> float:
    found = run.measured["seeing_arcsec"]
    return (found.error or 0.0) / found.value


def _hour(run: LoggedRun) -> str | None:
    """Return the hour of the Sun at the site, UTC plus longitude / 15, as `22 h`."""
    moment = moment_from(run.start_utc)
    if moment is None:
        return None
    east = (float(run.said("site", "longitude_deg") or 0.0) + 180.0) % 360.0 - 180.0
    return f"{int((moment.hour + moment.minute / 60.0 + east / 15.0) % 24.0):02d} h"


_HOURS = tuple(f"{(12 + hour) % 24:02d} h" for hour in range(24))


def _height(run: LoggedRun) -> str | None:
    if run.altitude_deg is None or not 0.0 <= run.altitude_deg <= 90.0:
        return None
    index = min(int(np.searchsorted(ALTITUDES_DEG, run.altitude_deg, "right")) - 1, len(ALTITUDES_DEG) - 2)
    return f"{ALTITUDES_DEG[index]:02.0f} to {ALTITUDES_DEG[index + 1]:.0f} deg"


def _airmass_power(runs: Sequence[LoggedRun]) -> Measured | None:
    """Return the slope of log seeing over log air mass within nights, by least squares; None for too little spread."""
    known = [run for run in runs if run.airmass is not None and run.night is not None]
    nights = np.unique([run.night for run in known], return_inverse=True)[1] if known else np.zeros(0, int)
    y = np.log([run.value("seeing_arcsec") or np.nan for run in known])
    x = np.log([float(run.airmass or np.nan) for run in known])
    spare = len(known) - (int(nights.max()) + 1 if len(known) else 0) - 1
    if spare < 3:
        return None
    x, y = _within(x, nights), _within(y, nights)
    spread = float((x**2).sum())
    if spread < 0.01 * len(known):
        return None
    slope = float((x * y).sum()) / spread
    return Measured(slope, float(np.sqrt(((y - slope * x) ** 2).sum() / spare / spread)))


def _within(values: Real, nights: NDArray[np.intp]) -> Real:
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
