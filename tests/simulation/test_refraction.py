"""Dispersion of air."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.sky.refraction import dispersion_arcsec

# Filippenko 1982, PASP 94, 715, table I, sec z = 1.5, relative to 5000 A, 600 mmHg, 7 C, 8 mmHg of water vapour.
TABLE = [
    (300, 2.37),
    (350, 1.34),
    (400, 0.71),
    (450, 0.29),
    (550, -0.21),
    (600, -0.37),
    (650, -0.50),
    (700, -0.60),
    (800, -0.74),
    (1000, -0.91),
]


@pytest.mark.parametrize(("wavelength_nm", "expected_arcsec"), TABLE)
def test_published_table(wavelength_nm: float, expected_arcsec: float) -> None:
    """To the table's last digit."""
    zenith_distance_deg = float(np.rad2deg(np.arccos(1 / 1.5)))
    computed = dispersion_arcsec(wavelength_nm, 500.0, zenith_distance_deg, 600.0, 7.0, 8.0)
    assert computed == pytest.approx(expected_arcsec, abs=0.011)
