"""What an ideal telescope and a camera's pixels let through."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ARCSEC_PER_RADIAN = 206264.80624709636
MIDDLE_NM = 550.0
"""The middle of visible light."""
_AIRY_ZERO = 1.2196698912665045
"""First zero of the Airy pattern in lambda / D: the first zero of the Bessel function J1 over pi."""
_AIRY_HALF = 1.02899397
"""Full width at half maximum of the Airy pattern in lambda / D."""


def scale_arcsec_per_px(pixel_um: float, focal_length_mm: float) -> float:
    """Return the angle that one pixel covers, in arcsec: 206.265 pixel_um / focal_length_mm.

    Raises ValueError where a length is not positive.
    """
    _require_positive(pixel_um=pixel_um, focal_length_mm=focal_length_mm)
    return 1e-3 * ARCSEC_PER_RADIAN * pixel_um / focal_length_mm


def cutoff_cyc_per_px(aperture_mm: float, focal_length_mm: float, pixel_um: float, wavelength_nm: float) -> float:
    """Return the spatial frequency beyond which the aperture passes nothing, D / lambda, in cycles per pixel.

    The Nyquist frequency of the pixels is 0.5. Raises ValueError where a length is not positive.
    """
    _require_positive(
        aperture_mm=aperture_mm, focal_length_mm=focal_length_mm, pixel_um=pixel_um, wavelength_nm=wavelength_nm
    )
    return aperture_mm * pixel_um / (focal_length_mm * 1e-3 * wavelength_nm)


def focal_ratio(focal_length_mm: float, aperture_mm: float) -> float:
    """Return focal length over aperture. Raises ValueError where a length is not positive."""
    _require_positive(focal_length_mm=focal_length_mm, aperture_mm=aperture_mm)
    return focal_length_mm / aperture_mm


def field_arcmin(size_px: int, arcsec_per_px: float) -> float:
    """Return the side of the field that `size_px` pixels cover. Raises ValueError where either is not positive."""
    _require_positive(size_px=size_px, arcsec_per_px=arcsec_per_px)
    return size_px * arcsec_per_px / 60.0


def diffraction_arcsec(aperture_mm: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return lambda / D: the finest period that the aperture passes at all, and the resolution element used here.

    113.4 / aperture_mm at 550 nm. Raises ValueError where a length is not positive.
    """
    _require_positive(aperture_mm=aperture_mm, wavelength_nm=wavelength_nm)
    return 1e-6 * ARCSEC_PER_RADIAN * wavelength_nm / aperture_mm


def rayleigh_arcsec(aperture_mm: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return the radius of the first dark ring, 1.22 lambda / D: two equal stars this far apart are just told apart.

    Rayleigh 1879, Phil. Mag. 8, 261.
    """
    return _AIRY_ZERO * diffraction_arcsec(aperture_mm, wavelength_nm)


def airy_diameter_arcsec(aperture_mm: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return the diameter of the first dark ring around a star's disc, 2.44 lambda / D."""
    return 2.0 * rayleigh_arcsec(aperture_mm, wavelength_nm)


def airy_fwhm_arcsec(aperture_mm: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return the full width at half maximum of a star's disc, 1.029 lambda / D."""
    return _AIRY_HALF * diffraction_arcsec(aperture_mm, wavelength_nm)


def dawes_arcsec(aperture_mm: float) -> float:
    """Return Dawes' limit for a pair of equal sixth-magnitude stars seen by eye, 116 / aperture_mm.

    Dawes 1867, Mem. R. Astron. Soc. 35, 137 (4.56 inches over the aperture).
    """
    _require_positive(aperture_mm=aperture_mm)
    return 115.824 / aperture_mm


def px_per_element(pixel_um: float, ratio: float, wavelength_nm: float = MIDDLE_NM) -> float:
    """Return pixels per lambda / D at focal ratio `ratio`: 2 is the least that loses nothing (Shannon 1949)."""
    _require_positive(pixel_um=pixel_um, ratio=ratio, wavelength_nm=wavelength_nm)
    return 1e-3 * wavelength_nm * ratio / pixel_um


def fitting_focal_length_mm(
    aperture_mm: float, pixel_um: float, wanted_px_per_element: float = 2.0, wavelength_nm: float = MIDDLE_NM
) -> float:
    """Return the focal length at which a pixel of this size samples lambda / D with the wanted number of pixels."""
    _require_positive(aperture_mm=aperture_mm, wanted_px_per_element=wanted_px_per_element)
    return aperture_mm * wanted_px_per_element / px_per_element(pixel_um, 1.0, wavelength_nm)


def exposure_factor(from_ratio: float, to_ratio: float) -> float:
    """Return how many times the exposure an extended target needs after a change of focal ratio: the square."""
    _require_positive(from_ratio=from_ratio, to_ratio=to_ratio)
    return (to_ratio / from_ratio) ** 2


def diffraction_transfer(frequency: NDArray[np.floating], obstruction_ratio: float = 0.0) -> NDArray[np.float64]:
    """Return the transfer of an ideal round aperture at `frequency` in units of the cutoff, 0 beyond 1.

    `obstruction_ratio` is the diameter of the central obstruction over that of the aperture, 0 <= ratio < 1.
    O'Neill 1956, J. Opt. Soc. Am. 46, 285 (annular aperture); the autocorrelation of two discs.
    Raises ValueError where the ratio is outside that range.
    """
    if not 0.0 <= obstruction_ratio < 1.0:
        raise ValueError(f"obstruction_ratio is {obstruction_ratio}; give 0 to less than 1")
    f = np.abs(np.asarray(frequency, np.float64))
    overlap = _overlap(f, 1.0, 1.0)
    if obstruction_ratio > 0:
        overlap = (
            overlap - 2.0 * _overlap(f, 1.0, obstruction_ratio) + _overlap(f, obstruction_ratio, obstruction_ratio)
        )
    return np.asarray(np.maximum(overlap, 0.0) / (1.0 - obstruction_ratio**2))


def _overlap(distance: NDArray[np.float64], large: float, small: float) -> NDArray[np.float64]:
    """Return the common area of discs of these diameters, centres `distance` apart, over that of the unit disc.

    Heron's area of the triangle of centres and crossing gives the lens.
    """
    big, little = 0.5 * large, 0.5 * small
    d = np.clip(distance, big - little + 1e-12, big + little)
    cos_little = np.clip((d**2 + little**2 - big**2) / (2.0 * d * little), -1.0, 1.0)
    cos_big = np.clip((d**2 + big**2 - little**2) / (2.0 * d * big), -1.0, 1.0)
    kite = (-d + little + big) * (d + little - big) * (d - little + big) * (d + little + big)
    lens = little**2 * np.arccos(cos_little) + big**2 * np.arccos(cos_big) - 0.5 * np.sqrt(np.maximum(kite, 0.0))
    return np.asarray(np.where(distance <= big - little, np.pi * little**2, lens) / (0.25 * np.pi))


def _require_positive(**lengths: float) -> None:
    for name, value in lengths.items():
        if not value > 0:
            raise ValueError(f"{name} is {value}; give a positive number")
