"""What Kolmogorov turbulence does to short exposures laid onto each other, between the rows of its tables.

Frequencies are in units of the cutoff D / lambda; q is D / r0, as the tables have it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.sharpening.turbulence_tables import ATTENUATION, FREQUENCY, FRIED, SPECKLE

Curve = NDArray[np.float64]


def air_transfer(frequency: Curve, aperture_over_r0: float) -> Curve:
    """Return the transfer of the air in the mean of short exposures, at `frequency` in units of the cutoff.

    Held at its value at 0.9 beyond it. Limits: the shape is that of D/r0 from 1 to 12.
    """
    f = np.minimum(frequency, FREQUENCY[-1])
    return np.asarray(np.exp(-_row(ATTENUATION, aperture_over_r0, f) * (aperture_over_r0 * f) ** (5.0 / 3.0)))


def speckle_power(frequency: Curve, aperture_over_r0: float, telescope: Curve) -> Curve:
    """Return the mean squared transfer of single exposures less the squared mean, telescope included.

    `frequency` is in units of the cutoff, `telescope` the telescope's own transfer there. Limits: D/r0 from 1 to 12;
    smaller ones are scaled down from 1.
    """
    weak = min(aperture_over_r0 / FRIED[0], 1.0) ** (16.0 / 3.0)
    return np.asarray(weak / aperture_over_r0**2 * _row(SPECKLE, aperture_over_r0, frequency) * telescope)


def _row(table: Curve, aperture_over_r0: float, frequency: Curve) -> Curve:
    """Return the table's row for this D/r0, between rows by proportion, at `frequency`."""
    q = min(max(aperture_over_r0, FRIED[0]), FRIED[-1])
    above = int(np.clip(np.searchsorted(FRIED, q), 1, len(FRIED) - 1))
    part = (q - FRIED[above - 1]) / (FRIED[above] - FRIED[above - 1])
    row = (1.0 - part) * table[above - 1] + part * table[above]
    return np.asarray(np.interp(frequency, FREQUENCY, row))
