"""The small robust fit against scipy's."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import least_squares

from stacker.measuring.fitting import fit_between

X = np.linspace(0, 3, 60)


@pytest.mark.parametrize("seed", range(6))
def test_same_answer_as_scipy(seed: int) -> None:
    """Soft L1 of scale 2, with outliers, free and at a bound."""
    rng = np.random.default_rng(seed)
    data = 3.0 * np.exp(-1.2 * X) + 0.5 + 0.05 * rng.standard_normal(60)
    data[::13] += 2.0

    def residuals(p: np.ndarray) -> np.ndarray:
        return (p[0] * np.exp(-p[1] * X) + p[2] - data) / 0.05

    for high in ((9.0, 9.0, 9.0), (9.0, 1.0, 9.0), (2.0, 9.0, 0.2)):
        low = np.zeros(3)
        found, cost = fit_between(residuals, np.array([1.0, 0.5, 0.1]), low, np.array(high))
        known = least_squares(
            residuals, [1.0, 0.5, 0.1], bounds=(low, high), loss="soft_l1", f_scale=2.0, xtol=1e-12, ftol=1e-12
        )
        assert_allclose(found, known.x, atol=2e-3)
        assert_allclose(cost, 2 * known.cost, rtol=1e-4)


def test_a_start_outside_is_brought_in() -> None:
    """And an answer beyond the bounds stays on them."""
    found, cost = fit_between(lambda p: p - 5.0, np.array([-3.0]), np.array([0.0]), np.array([2.0]))
    assert found[0] == 2.0
    assert_allclose(cost, 8 * (np.sqrt(1 + 1.5**2) - 1))
