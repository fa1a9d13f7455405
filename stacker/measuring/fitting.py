"""A small robust least-squares fit between bounds: four parameters do not need an optimisation library."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]

_STEP = 1e-5
_ROUNDS = 40
_SETTLED = 1e-3
"""A step that gains less cost moved the parameters by some hundredths of their standard error."""
_MILD = 2.0


def fit_between(residuals: Callable[[Curve], Curve], start: Curve, low: Curve, high: Curve) -> tuple[Curve, float]:
    """Return the parameters (P,) between `low` and `high` of least robust cost, and that cost.

    `residuals` (N,) are in units of their standard error. The cost is the sum of 8 (sqrt(1 + (r / 2)^2) - 1): squares
    for small residuals, straight beyond two. Levenberg 1944, Q. Appl. Math. 2, 164, and Marquardt 1963, J. SIAM 11,
    431, with derivatives by differences; damped by how much of the promised gain was had (Nielsen 1999, Damping
    Parameter in Marquardt's Method, IMM, Technical University of Denmark). A parameter at a bound that wants to go
    further stays there.
    """
    best = np.clip(start, low, high)
    cost, slope, bend = _quadratic(residuals, best, low, high)
    damping, harder = 1e-2, 2.0
    for _ in range(_ROUNDS):
        free = ~((best <= low) & (slope > 0) | (best >= high) & (slope < 0))
        if not free.any():
            break
        step = np.zeros_like(best)
        curvature = bend[np.ix_(free, free)]
        step[free] = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature) + 1e-12), -slope[free])
        tried = np.clip(best + step, low, high)
        step = tried - best
        promised = -float((2.0 * slope + bend @ step) @ step)
        gained = cost - robust_cost(residuals(tried))
        if gained > 0:
            best, cost = tried, cost - gained
            if gained < _SETTLED:
                break
            # A step that gained less than promised went too far: the next is held back.
            damping *= max(1.0 / 3.0, 1.0 - (2.0 * min(gained / max(promised, 1e-300), 1.0) - 1.0) ** 3)
            harder = 2.0
            cost, slope, bend = _quadratic(residuals, best, low, high)
        elif promised < _SETTLED:
            break
        else:
            damping, harder = damping * harder, 2.0 * harder
    return best, cost


def robust_cost(r: Curve) -> float:
    """Return the cost of residuals (N,), as `fit_between` counts it."""
    return float((2.0 * _MILD**2 * (np.sqrt(1.0 + (r / _MILD) ** 2) - 1.0)).sum())


def _quadratic(residuals: Callable[[Curve], Curve], at: Curve, low: Curve, high: Curve) -> tuple[float, Curve, Curve]:
    """Return cost, half its slope and half its bend (Gauss-Newton) at a point."""
    r = residuals(at)
    columns = []
    for k in range(len(at)):
        if low[k] == high[k]:
            columns.append(np.zeros_like(r))
            continue
        step = _STEP * max(1.0, abs(at[k]))
        step = -step if at[k] + step > high[k] else step
        moved = at.copy()
        moved[k] += step
        columns.append((residuals(moved) - r) / step)
    jacobian = np.stack(columns, 1)
    weight = 1.0 / np.sqrt(1.0 + (r / _MILD) ** 2)
    return robust_cost(r), jacobian.T @ (weight * r), (jacobian * weight[:, None]).T @ jacobian


def covariance(residuals: Callable[[Curve], Curve], best: Curve, low: Curve, high: Curve) -> NDArray[np.float64]:
    """Return the covariance (P, P) that the residuals' own errors give the parameters at their best values."""
    _, _, bend = _quadratic(residuals, best, low, high)
    return np.asarray(np.linalg.pinv(bend))


def spread(residuals: Callable[[Curve], Curve], best: Curve, low: Curve, high: Curve) -> Curve:
    """Return the standard errors (P,) of the parameters at their best values."""
    return np.asarray(np.sqrt(np.maximum(np.diag(covariance(residuals, best, low, high)), 0.0)))
