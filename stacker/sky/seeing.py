"""What turbulent air leaves of a telescope's resolution."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from stacker.sky.optics import ARCSEC_PER_RADIAN, MIDDLE_NM, diffraction_arcsec, diffraction_transfer

_SEEING_OF_R0 = 0.9755
"""Full width at half maximum of the long-exposure image in lambda / r0 (Kolmogorov turbulence)."""
_SAMPLES = 512


def fried_parameter_mm(seeing_arcsec: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return the Fried parameter r0 that belongs to a seeing disc (Fried 1966, J. Opt. Soc. Am. 56, 1372)."""
    if not seeing_arcsec > 0:
        raise ValueError(f"seeing_arcsec is {seeing_arcsec}; give a positive number")
    return 1e-6 * _SEEING_OF_R0 * wavelength_nm * ARCSEC_PER_RADIAN / seeing_arcsec


def seeing_from_fried_parameter_arcsec(r0_mm: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return the seeing disc that belongs to a Fried parameter: the inverse of `fried_parameter_mm`."""
    if not r0_mm > 0:
        raise ValueError(f"r0_mm is {r0_mm}; give a positive number")
    return 1e-6 * _SEEING_OF_R0 * wavelength_nm * ARCSEC_PER_RADIAN / r0_mm


def seeing_at_airmass_arcsec(zenith_seeing_arcsec: float, airmass: float) -> float:
    """Return the seeing through more air: it grows as airmass^0.6 (Fried 1966: r0 ~ airmass^-0.6)."""
    return zenith_seeing_arcsec * math.pow(airmass, 0.6)


def resolving_power_kept(d_over_r0: float, *, long_exposure: bool = False) -> float:
    """Return the integral of telescope and air's transfer over that of the telescope alone, 0 to 1.

    Fried 1966, J. Opt. Soc. Am. 56, 1372: exp(-3.44 (x D/r0)^(5/3)) for long exposures, with 1 - x^(1/3) in the
    exponent for short ones whose image motion is followed. x is the frequency in units of the cutoff.
    """
    if d_over_r0 < 0:
        raise ValueError(f"d_over_r0 is {d_over_r0}; give 0 or more")
    return _kept(round(float(d_over_r0), 4), long_exposure)


@lru_cache(maxsize=4096)
def _kept(d_over_r0: float, long_exposure: bool) -> float:
    x = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
    telescope = diffraction_transfer(x) * x
    followed = 1.0 if long_exposure else 1.0 - np.cbrt(x)
    air = np.exp(-3.44 * (x * d_over_r0) ** (5.0 / 3.0) * followed)
    return float((telescope * air).sum() / telescope.sum())


def selected_power_kept(d_over_r0: float) -> float:
    """Return `resolving_power_kept` of the best frames of many, lined up on each other.

    Choosing and aligning raises what long exposures keep 4 to 6 times for D/r0 of 3 to 12 (Smith, Bailey, Hough & Lee
    2009, Mon. Not. R. Astron. Soc. 398, 2069): 5 times here. In calmer air it closes half the way from the usual short
    exposure to the perfect one (an estimate).
    """
    short = resolving_power_kept(d_over_r0)
    chosen = 5.0 * resolving_power_kept(d_over_r0, long_exposure=True)
    return max(short, min(chosen, 0.5 * (1.0 + short)))


def reached_arcsec(aperture_mm: float, seeing_arcsec: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return the resolution element to expect of a good stack: lambda / D where the air is still.

    The element grows as the root of the lost resolving power (see `selected_power_kept`). Sharpening reaches further
    where the signal allows, so this is what to count on, not the best that can happen.
    """
    d_over_r0 = aperture_mm / fried_parameter_mm(seeing_arcsec, wavelength_nm)
    return diffraction_arcsec(aperture_mm, wavelength_nm) / math.sqrt(selected_power_kept(d_over_r0))


def outer_scale_factor(r0_mm: float, outer_scale_m: float) -> float:
    """Return by how much an outer scale of turbulence narrows the long-exposure seeing disc.

    sqrt(1 - 2.183 (r0 / L0)^0.356), Tokovinin 2002, PASP 114, 1156, equation 19; for L0 of more than 20 r0.
    """
    if not r0_mm > 0 or not outer_scale_m > 0:
        raise ValueError(f"r0_mm is {r0_mm} and outer_scale_m {outer_scale_m}; give positive numbers")
    return math.sqrt(max(1.0 - 2.183 * math.pow(1e-3 * r0_mm / outer_scale_m, 0.356), 0.0))
