"""Tails of distributions as scipy has them."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stacker.logbook.tails import beyond_chi_squared, beyond_t, t_beyond

FREEDOM = (1.0, 2.0, 8.0, 8.5, 31.0, 300.0, 20017.0)


@pytest.mark.parametrize("freedom", FREEDOM)
def test_student_s_t(freedom: float) -> None:
    """From the middle to where nothing is left; 2.306 for 5 % of 8 degrees is in every table."""
    t = np.array([0.0, 1e-3, 0.1, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 12.0, 300.0])
    assert_allclose([beyond_t(one, freedom) for one in t], 2.0 * special.stdtr(freedom, -t), rtol=1e-9, atol=1e-300)
    chances = np.array([0.999, 0.5, 0.05, 0.05 / 208, 1e-9])
    found = [t_beyond(one, freedom) for one in chances]
    assert_allclose(found, -special.stdtrit(freedom, 0.5 * chances), rtol=1e-9)
    assert round(t_beyond(0.05, 8.0), 3) == 2.306


@pytest.mark.parametrize("freedom", FREEDOM)
def test_chi_squared(freedom: float) -> None:
    """On both sides of where series and fraction meet; of infinitely much nothing is left."""
    sums = freedom * np.array([0.0, 1e-3, 0.3, 0.9, 0.99, 1.0, 1.01, 1.1, 2.0])
    found = [beyond_chi_squared(one, freedom) for one in sums]
    assert_allclose(found, special.gammaincc(0.5 * freedom, 0.5 * sums), rtol=1e-9, atol=1e-300)
    assert beyond_chi_squared(float("inf"), freedom) == 0.0
