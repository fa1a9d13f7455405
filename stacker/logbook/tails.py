"""How often chance alone goes so far: Student's t and chi-squared, by the incomplete beta and gamma functions.

They are those of scipy.special, to twelve digits; but loading that takes as long as comparing ten thousand runs.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from itertools import count
from math import exp, inf, lgamma, log

_TINY = 1e-300
_EXACT = 1e-15
_HALVINGS = 60


def beyond_t(t: float, freedom: float) -> float:
    """Return how often Student's t of `freedom` degrees falls outside -`t` to `t`; DLMF 8.17.2 at nu / (nu + t^2)."""
    return _beta_share(freedom, t * t, 0.5 * freedom, 0.5)


@lru_cache(maxsize=64)
def t_beyond(chance: float, freedom: float) -> float:
    """Return the t outside which Student's t falls so often: the inverse of `beyond_t`, by bisection."""
    low, high = 0.0, 1.0
    while beyond_t(high, freedom) > chance:
        low, high = high, 2.0 * high
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if beyond_t(middle, freedom) > chance else (low, middle)
    return 0.5 * (low + high)


def beyond_chi_squared(sum_of_squares: float, freedom: float) -> float:
    """Return how often chi-squared of `freedom` degrees is larger: Q(nu / 2, sum / 2), DLMF 8.11.4 and 8.9.2."""
    a, x = 0.5 * freedom, 0.5 * sum_of_squares
    if not 0.0 < x < inf:
        return float(x <= 0.0)
    front = exp(a * log(x) - x - lgamma(a))
    if x < a + 1.0:
        return 1.0 - front * _gamma_series(a, x)
    terms = ((1.0 if n == 0 else -n * (n - a), x + 2.0 * n + 1.0 - a) for n in count())
    return front * _continued_fraction(terms)


def _gamma_series(a: float, x: float) -> float:
    """Return the sum of x^n / (a (a + 1) ... (a + n))."""
    term = total = 1.0 / a
    for n in count(1):
        term *= x / (a + n)
        total += term
        if term < _EXACT * total:
            break
    return total


def _beta_share(p: float, q: float, a: float, b: float) -> float:
    """Return the regularised incomplete beta function I_x(a, b) at x = p / (p + q)."""
    if not (p > 0.0 and q > 0.0):
        return float(p > 0.0)
    x, rest = p / (p + q), q / (p + q)
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_share(q, p, b, a)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(rest)) / a
    return front * _continued_fraction((_beta_term(n, a, b, x), 1.0) for n in count())


def _beta_term(n: int, a: float, b: float, x: float) -> float:
    """Return the n-th numerator of DLMF 8.17.22, with the one above the fraction in front."""
    if n == 0:
        return 1.0
    m, odd = divmod(n - 1, 2)
    if odd:
        m += 1
        return m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
    return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))


def _continued_fraction(terms: Iterable[tuple[float, float]]) -> float:
    """Return a0 / (b0 + a1 / (b1 + ...)) of terms (a, b): Lentz's method, as DLMF 3.10(iii) has it."""
    value, c, d = _TINY, _TINY, 0.0
    for above, below in terms:
        d = 1.0 / (below + above * d or _TINY)
        c = below + above / c or _TINY
        value *= c * d
        if abs(c * d - 1.0) < _EXACT:
            break
    return value
