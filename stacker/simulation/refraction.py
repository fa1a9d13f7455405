"""Refraction of air by wavelength: why a low target shows coloured edges."""

from __future__ import annotations

import numpy as np

ARCSEC_PER_RADIAN = 206264.80625


def refractivity(
    wavelength_nm: float, pressure_mmhg: float = 760.0, temperature_c: float = 15.0, vapour_mmhg: float = 8.0
) -> float:
    """Return n - 1 of air (Filippenko 1982, PASP 94, 715, equations 1 to 3)."""
    wave2 = (1000.0 / wavelength_nm) ** 2
    dry = 64.328 + 29498.1 / (146.0 - wave2) + 255.4 / (41.0 - wave2)
    dry *= pressure_mmhg * (1 + (1.049 - 0.0157 * temperature_c) * 1e-6 * pressure_mmhg)
    dry /= 720.883 * (1 + 0.003661 * temperature_c)
    vapour = (0.0624 - 0.000680 * wave2) / (1 + 0.003661 * temperature_c) * vapour_mmhg
    return (dry - vapour) * 1e-6


def dispersion_arcsec(
    wavelength_nm: float,
    reference_nm: float,
    zenith_distance_deg: float,
    pressure_mmhg: float = 760.0,
    temperature_c: float = 15.0,
    vapour_mmhg: float = 8.0,
) -> float:
    """Return how much higher a wavelength appears than the reference (Filippenko 1982, equation 4)."""
    weather = (pressure_mmhg, temperature_c, vapour_mmhg)
    difference = refractivity(wavelength_nm, *weather) - refractivity(reference_nm, *weather)
    return float(ARCSEC_PER_RADIAN * difference * np.tan(np.deg2rad(zenith_distance_deg)))
