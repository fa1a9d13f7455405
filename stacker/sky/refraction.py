"""What the air does to light on its way down: refraction, dispersion of colours, air mass."""

from __future__ import annotations

import math

from stacker.sky.optics import ARCSEC_PER_RADIAN


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


def refractivity_slope_per_nm(wavelength_nm: float) -> float:
    """Return how fast the refractivity changes with wavelength (sea level, 15 C), by a difference of 1 nm."""
    return refractivity(wavelength_nm + 0.5) - refractivity(wavelength_nm - 0.5)


def dispersion_arcsec(
    wavelength_nm: float,
    reference_nm: float,
    zenith_distance_deg: float,
    pressure_mmhg: float = 760.0,
    temperature_c: float = 15.0,
    vapour_mmhg: float = 8.0,
) -> float:
    """Return how much higher a wavelength appears than the reference (Filippenko 1982, equation 4).

    Flat layers of air: good to 1 % above some 15 degrees of altitude.
    """
    weather = (pressure_mmhg, temperature_c, vapour_mmhg)
    difference = refractivity(wavelength_nm, *weather) - refractivity(reference_nm, *weather)
    return ARCSEC_PER_RADIAN * difference * math.tan(math.radians(zenith_distance_deg))


def in_band_smear_arcsec(
    band_nm: tuple[float, float],
    zenith_distance_deg: float,
    pressure_mmhg: float = 760.0,
    temperature_c: float = 15.0,
    vapour_mmhg: float = 8.0,
) -> float:
    """Return how far the air draws a point out inside one band, from its red end to its blue end.

    No shift of whole channels takes this back; only a narrower band, a higher target or a prism in front of the camera
    does.
    """
    weather = (pressure_mmhg, temperature_c, vapour_mmhg)
    return dispersion_arcsec(min(band_nm), max(band_nm), zenith_distance_deg, *weather)


def smear_over_separation(band_nm: tuple[float, float], apart_nm: tuple[float, float]) -> float:
    """Return the smear inside a band over the distance between two other wavelengths: the air's height drops out."""
    smear = refractivity(min(band_nm)) - refractivity(max(band_nm))
    return smear / (refractivity(min(apart_nm)) - refractivity(max(apart_nm)))


def pressure_at_mmhg(elevation_m: float) -> float:
    """Return the usual pressure at a height above the sea (barometric formula, scale height 8430 m)."""
    return 760.0 * math.exp(-elevation_m / 8430.0)


def refraction_arcmin(altitude_deg: float, pressure_mmhg: float = 757.6, temperature_c: float = 10.0) -> float:
    """Return how much refraction lifts a target whose airless altitude is given; 0 more than a degree below ground.

    Saemundsson 1986, Sky & Telescope 72, 70, as in Meeus, Astronomical Algorithms, chapter 16 (1010 mbar, 10 C):
    good to 0.1 arcminutes.
    """
    if altitude_deg < -1.0:
        return 0.0
    lift = 1.02 / math.tan(math.radians(altitude_deg + 10.3 / (altitude_deg + 5.11))) + 0.0019279
    return lift * pressure_mmhg / 757.6 * 283.0 / (273.0 + temperature_c)


def air_mass(altitude_deg: float) -> float | None:
    """Return the air in the way relative to the zenith for an airless altitude; None below the horizon.

    Kasten & Young 1989, Applied Optics 28, 4735, which wants the apparent altitude.
    """
    apparent_deg = altitude_deg + refraction_arcmin(altitude_deg) / 60.0
    if apparent_deg < 0.0:
        return None
    return max(1.0, 1.0 / (math.sin(math.radians(apparent_deg)) + 0.50572 * math.pow(apparent_deg + 6.07995, -1.6364)))
