"""What an ideal telescope and a camera's pixels let through."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ARCSEC_PER_RADIAN = 206264.80624709636


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
