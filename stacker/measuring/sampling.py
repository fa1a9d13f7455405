"""Whether the pixels are fine enough for the telescope: pixels per lambda/D, and the focal length that fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import ASSUMED_WAVELENGTH_NM, Circumstances
from stacker.sky.optics import fitting_focal_length_mm, focal_ratio, px_per_element

Curve = NDArray[np.float64]

ENOUGH_PX = {False: 2.0, True: 3.0}
"""Pixels per lambda/D that lose nothing (Shannon 1949, Proc. IRE 37, 10) and, behind a mosaic whose colours are
sampled more coarsely, that lose little (common practice, no source)."""
_ANGLES = np.deg2rad(np.arange(2.5, 45.0, 5.0))


@dataclass(frozen=True)
class Sampling:
    """How a camera samples a telescope's image. What sidecar or header say is taken as exact: no error bars."""

    px_per_element: float
    """Camera pixels per lambda/D; the cutoff is its inverse in cycles per pixel."""
    wavelength_nm: float
    focal_ratio: float
    wanted_px: float
    """Pixels per lambda/D that would be enough."""
    fitting_focal_length_mm: float
    """At which they would be met."""
    factor: float
    """Of the Barlow lens (above 1) or reducer (below 1) that gets there."""

    @property
    def nyquist(self) -> float:
        """Return the finest frequency that the pixels can carry, in units of the optical cutoff; 1 where all."""
        return min(1.0, 0.5 * self.px_per_element)

    @property
    def lost_band(self) -> float:
        """Return the share of the optical band, by number of modes, that the pixels cannot carry."""
        return 1.0 - self.nyquist**2


def measure_sampling(circumstances: Circumstances) -> Sampling | None:
    """Return how the camera samples the telescope's image; None where aperture, focal length or pixel are unknown."""
    telescope, camera = circumstances.telescope, circumstances.camera
    if telescope.aperture_mm is None or telescope.focal_length_mm is None or camera.pixel_um is None:
        return None
    wavelength = circumstances.wavelength_nm or ASSUMED_WAVELENGTH_NM
    ratio = focal_ratio(telescope.focal_length_mm, telescope.aperture_mm)
    wanted = ENOUGH_PX[camera.mosaic is not None]
    fitting = fitting_focal_length_mm(telescope.aperture_mm, camera.pixel_um, wanted, wavelength)
    return Sampling(
        px_per_element(camera.pixel_um, ratio, wavelength),
        wavelength,
        ratio,
        wanted,
        fitting,
        fitting / telescope.focal_length_mm,
    )


def pixel_transfer(frequency: Curve, px_per_element: float) -> Curve:
    """Return what the averaging over square pixels leaves at `frequency` in units of the optical cutoff.

    The product of sinc(f) along both axes, f in cycles per pixel (Goodman, Introduction to Fourier Optics), its square
    averaged over directions.
    """
    f = np.asarray(frequency, np.float64)[:, None] / px_per_element
    squared = (np.sinc(f * np.cos(_ANGLES)) * np.sinc(f * np.sin(_ANGLES))) ** 2
    return np.asarray(np.sqrt(squared.mean(1)))
