"""The shifts of red and blue as the air makes them: what physics knows of them, weighed against what was measured.

Refraction moves every colour along the vertical by its refractivity (Filippenko 1982, PASP 94, 715), so that red and
blue stand on one line through green and their distances have a fixed ratio, whatever direction and height: two unknowns
instead of four. Where time, site, target and scale are known, the size of the spread is known too, and its direction
where north is. Each of these counts by its error: bands whose middles are known to 10 nm, weather, north. It is a
Gaussian prior on the spread, and the answer is the mean of the posterior. Where data and prior are further apart than
both errors allow, the prior is dropped, size and direction first, then the line and its ratio: the picture is believed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift
from stacker.capture.circumstances import BAND_ERROR_NM, COLOUR_WAVELENGTHS_NM
from stacker.sky.refraction import refractivity, refractivity_slope_per_nm

Real = NDArray[np.float64]
UNLIKELY = 0.0027
"""Chance of a disagreement as large beyond which a prior is dropped: three standard errors of one number."""
ASIDE_PX = 0.01
"""How far the colours may stand beside one line by what is not air."""


@dataclass(frozen=True)
class Expected:
    """Where physics puts blue against red."""

    size_px: float
    """How far blue stands above red, 0 at the zenith."""
    error_px: float
    up: tuple[float, float] | None = None
    """(dy, dx) of length 1 towards the zenith in the picture; None where north is not known."""
    up_error_rad: float = 0.0


@dataclass(frozen=True)
class _Prior:
    """The spread, blue minus red: (2,) most likely, (2, 2) its inverse covariance, its direction."""

    mean: Real
    precision: Real
    way: Real


def lifts() -> tuple[Real, Real]:
    """Return (2,) how far red and blue stand above green where blue is 1 above red; (2, 2) covariance by the bands."""
    red, green, blue = (refractivity(nm) for nm in COLOUR_WAVELENGTHS_NM)
    slopes = np.array([refractivity_slope_per_nm(nm) for nm in COLOUR_WAVELENGTHS_NM]) * BAND_ERROR_NM / (blue - red)
    lift = np.array([red - green, blue - green]) / (blue - red)
    return lift, np.diag(slopes[[0, 2]] ** 2) + slopes[1] ** 2


def as_air_spreads(red: Shift, blue: Shift, expected: Expected | None = None) -> tuple[Shift, Shift, str]:
    """Return the likeliest shifts of red and blue against green, and what is to be told about them, or nothing.

    Shifts with an infinite error were not measured; they come from the other colour, or from `expected` alone where
    that knows the way up, or stay infinite.
    """
    measured = np.array([[red.dy_px, red.dx_px], [blue.dy_px, blue.dx_px]])
    errors = np.array([red.error_px, blue.error_px])
    known = np.isfinite(errors)
    told = ""
    for prior in [expected, None] if expected else [None]:
        if not known.any() and (prior is None or prior.up is None):
            continue
        shifts, doubt, chance = _posterior(measured, errors, prior)
        if chance >= UNLIKELY:
            red, blue = (
                Shift(float(dy), float(dx), float(error), seen.coherence)
                for (dy, dx), error, seen in zip(shifts, doubt, (red, blue), strict=True)
            )
            return red, blue, told
        told = "the colours do not stand as the air spreads them here and now: only their line and its ratio were kept"
    if known.all():
        told = "red and blue do not stand from green as the air spreads colours: they were moved by what was measured"
    return red, blue, told


def _posterior(measured: Real, errors: Real, expected: Expected | None) -> tuple[Real, Real, float]:
    """Return (2, 2) shifts, (2,) their errors an axis, and the chance of a disagreement as large as there is."""
    lift, band = lifts()
    certain = np.where(np.isfinite(errors), 1 / np.maximum(errors, 1e-6) ** 2, 0)
    prior = _prior_of(measured, certain, lift, expected)
    size2 = float(prior.mean @ prior.mean)
    spread = np.kron(band * size2, np.outer(prior.way, prior.way)) + ASIDE_PX**2 * np.eye(4)
    # Unknowns: both shifts and the spread; the air ties the former to the latter.
    lifted = np.kron(lift[:, None], np.eye(2))
    tie = np.linalg.inv(spread)
    data = np.kron(np.diag(certain), np.eye(2))
    precision = np.block([[data + tie, -tie @ lifted], [-lifted.T @ tie, lifted.T @ tie @ lifted + prior.precision]])
    right = np.concatenate([data @ measured.ravel(), prior.precision @ prior.mean])
    covariance = np.linalg.inv(precision)
    found = covariance @ right
    shifts, wind = found[:4], found[4:]
    off = shifts - measured.ravel(), shifts - lifted @ wind, wind - prior.mean
    squares = sum(float(d @ weight @ d) for d, weight in zip(off, (data, tie, prior.precision), strict=True))
    freedom = 2 * int((certain > 0).sum()) - 2 + (2 if expected else 0)
    # Of the chi-square distribution with 2 or 4 degrees of freedom.
    chance = {0: 1.0, 2: exp(-squares / 2)}.get(freedom, exp(-squares / 2) * (1 + squares / 2))
    variance = np.diag(covariance)[:4].reshape(2, 2).mean(1)
    return shifts.reshape(2, 2), np.sqrt(variance), chance


def _prior_of(measured: Real, certain: Real, lift: Real, expected: Expected | None) -> _Prior:
    weight = certain * lift
    seen = weight @ np.where(certain[:, None] > 0, measured, 0) / max(float(weight @ lift), 1e-12)
    length = hypot(*seen)
    way: Real = seen / length if length > 0 else np.array([-1.0, 0.0])
    if expected is None:
        return _Prior(np.asarray(seen, np.float64), np.zeros((2, 2)), way)
    # Without north the way is the picture's own; how far across, nobody knows.
    across = expected.size_px
    if expected.up is not None:
        way = np.array(expected.up)
        across = expected.up_error_rad * expected.size_px
    covariance = np.outer(way, way) * expected.error_px**2 + (np.eye(2) - np.outer(way, way)) * across**2
    covariance += ASIDE_PX**2 * np.eye(2)
    return _Prior(expected.size_px * way, np.asarray(np.linalg.inv(covariance), np.float64), way)
