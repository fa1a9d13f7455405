"""What frames in unlike air keep together: their mean is no single frame's, nor is its power.

How much more or less contrast a frame has than the others tells how its air differs from theirs; the level is left to
be found. Sharp frames carry nearly all of the fine detail, so a mean over unlike frames falls off later than any one of
them, and the mean power later still.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.sharpening.turbulence import air_transfer, speckle_power

Curve = NDArray[np.float64]
_GROUPS = 6
_CONTRAST_OF_WEIGHT = 0.44
"""Frames are weighed by contrast to the power of about one over this."""
_AIRS_SHARE = 0.85
"""Of the differences in contrast; the rest is speckle and noise. Settled with the constants of `air.py`."""
_SEEN_AT = 0.3
"""Where contrast is measured, in units of the cutoff."""
_FRIED = np.exp(np.linspace(np.log(0.15), np.log(24.0), 90))


@dataclass(frozen=True)
class Frames:
    """How frames differ: groups of equal weight."""

    log_contrast: tuple[float, ...]
    """Natural logarithm of each group's contrast over that of all."""

    @classmethod
    def weighed(cls, weights: Curve) -> Frames:
        """Return the groups of frames from their weights (N,), which sum to 1."""
        used = np.sort(weights[weights > 0])
        if len(used) < 2:
            return ALIKE
        log = _AIRS_SHARE * _CONTRAST_OF_WEIGHT * np.log(used)
        log -= np.log((used * np.exp(log)).sum())
        edge = np.concatenate([[0.0], np.cumsum(used)])
        total = np.interp(np.linspace(0, edge[-1], _GROUPS + 1), edge, np.concatenate([[0.0], np.cumsum(used * log)]))
        return cls(tuple(float(value) for value in np.diff(total) * _GROUPS / edge[-1]))

    def tables(self, frequency: Curve, telescope: Curve | None = None) -> Tables:
        """Return what air of any strength does at `frequency` in units of the cutoff."""
        passed = np.stack([air_transfer(frequency, q) for q in _FRIED])
        none = np.zeros_like(passed)
        speckle = none if telescope is None else np.stack([speckle_power(frequency, q, telescope) for q in _FRIED])
        return Tables(self, passed, speckle)


ALIKE = Frames((0.0,))
_LOST = np.array([-np.log(air_transfer(np.array([_SEEN_AT]), q)[0]) for q in _FRIED])


@dataclass(frozen=True)
class Tables:
    """Transfer and speckle of air at some frequencies, by D/r0."""

    frames: Frames
    passed: Curve
    """(D/r0, frequencies) transfer of the air in the mean of like frames."""
    scattered: Curve
    """(D/r0, frequencies) power of speckle in single ones."""

    def mean(self, aperture_over_r0: float) -> Curve:
        """Return the mean transfer where a frame of mean contrast has this D/r0."""
        return np.asarray(self._of(self.passed, aperture_over_r0).mean(0))

    def mean_square(self, aperture_over_r0: float) -> Curve:
        """Return the mean squared transfer."""
        return np.asarray((self._of(self.passed, aperture_over_r0) ** 2).mean(0))

    def speckle(self, aperture_over_r0: float) -> Curve:
        """Return the mean power of speckle."""
        return np.asarray(self._of(self.scattered, aperture_over_r0).mean(0))

    def _of(self, table: Curve, aperture_over_r0: float) -> Curve:
        """Return the rows (groups, frequencies) of a table."""
        lost = np.interp(np.log(aperture_over_r0), np.log(_FRIED), _LOST) - np.array(self.frames.log_contrast)
        place = np.interp(lost, _LOST, np.arange(len(_FRIED)))
        below = np.minimum(place.astype(int), len(_FRIED) - 2)
        part = (place - below)[:, None]
        return np.asarray((1 - part) * table[below] + part * table[below + 1])
