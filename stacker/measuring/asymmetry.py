"""Astigmatism and miscollimation: a static blur that differs with direction."""

from __future__ import annotations

import numpy as np

from stacker.measuring.spectral_ratio import SpectralRatio

_LEAST_SPREAD = 0.33
_MOST_ERROR = 0.04
_LEAST_TWOFOLD, _LEAST_FOURFOLD = 0.24, 0.18
_DEVIATIONS = 5.0


def static_asymmetry(seen: SpectralRatio) -> str | None:
    """Return a sentence on how what exposures lose differs with direction; None where that is not significant.

    Air treats all directions alike in the mean. Astigmatism in focus shows fourfold, out of focus twofold. Limits:
    simulated astigmatism of 0.4 waves peak to valley is noticed in most captures whose detail runs all ways alike;
    bands, a limb, and coma tell nothing.
    """
    if seen.spread_of_detail < _LEAST_SPREAD or not np.isfinite(seen.by_direction).all():
        return None
    error = float(np.sqrt(2.0 * np.mean(seen.by_direction_error**2) / len(seen.by_direction)))
    if not error < _MOST_ERROR:
        return None
    for fold, least in ((2, _LEAST_TWOFOLD), (4, _LEAST_FOURFOLD)):
        amplitude = _amplitude(seen, fold)
        if amplitude > max(least, _DEVIATIONS * error):
            return (
                f"The blur differs with direction by {100 * amplitude:.0f} +- {100 * error:.0f} % in all frames alike: "
                "astigmatism or miscollimation; check the collimation on a star."
            )
    return None


def _amplitude(seen: SpectralRatio, fold: int) -> float:
    """Return the amplitude of what repeats `fold` times around the circle."""
    sectors = len(seen.by_direction)
    angle = (np.arange(sectors) + 0.5) * np.pi / sectors
    return float(2.0 * np.abs(np.mean(seen.by_direction * np.exp(1j * fold * angle))))
