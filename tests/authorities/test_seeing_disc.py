"""The seeing disc and what an outer scale makes of it against published numbers."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j0

from stacker.measuring.seeing import SEEING_OF_R0
from stacker.sky.seeing import outer_scale_factor


def test_width_of_the_seeing_disc() -> None:
    """0.976 lambda / r0: width of the transform of exp(-3.44 (lambda f / r0)^(5/3)) (Fried 1966, JOSA 56, 1372)."""
    f = (np.arange(20000) + 0.5) * 2e-4
    transfer = np.exp(-3.44 * f ** (5 / 3)) * f

    def brightness(angle: float) -> float:
        return float((transfer * j0(2 * np.pi * f * angle)).sum())

    half = brentq(lambda angle: brightness(angle) - 0.5 * brightness(0.0), 0.1, 1.0)
    assert pytest.approx(2 * half, rel=1e-3) == SEEING_OF_R0


def test_outer_scale() -> None:
    """r0 of 0.1 m and an outer scale of 20 m: 0.818 as wide (Tokovinin 2002, PASP 114, 1156, equation 19)."""
    assert outer_scale_factor(100.0, 20.0) == pytest.approx(0.818, abs=0.001)
    with pytest.raises(ValueError, match="positive"):
        outer_scale_factor(0.0, 20.0)
