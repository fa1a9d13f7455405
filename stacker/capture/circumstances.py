"""What is known about a capture beside its pixels: target, times, telescope, camera, site."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from stacker.sky.optics import cutoff_cyc_per_px, scale_arcsec_per_px

ASSUMED_WAVELENGTH_NM = 550.0
"""The middle of visible light, where no filter is named."""
COLOUR_WAVELENGTHS_NM = (610.0, 540.0, 465.0)
"""Middle of the bands of a colour camera, R, G, B (common practice, no source)."""
COLOUR_BANDS_NM = ((575.0, 650.0), (490.0, 585.0), (420.0, 510.0))
"""Their ends at half height (common practice, no source)."""
MOSAICS = ("RGGB", "BGGR", "GRBG", "GBRG")
"""Colours of a 2x2 cell, row by row."""
BAND_ERROR_NM = 10.0
"""How far the middle of a real camera's band, with the target's own colour, lies from these."""


@dataclass(frozen=True)
class Telescope:
    """The telescope that made the image, Barlow lens included in `focal_length_mm`."""

    name: str | None = None
    aperture_mm: float | None = None
    focal_length_mm: float | None = None
    obstruction_mm: float | None = None
    """Diameter of the central obstruction; None is taken as none."""


@dataclass(frozen=True)
class Camera:
    """The camera and how it stores its numbers."""

    name: str | None = None
    pixel_um: float | None = None
    mosaic: str | None = None
    """One of MOSAICS; None for mono or full colour."""
    gain_e_per_adu: float | None = None
    bits: int | None = None
    """Significant bits of the converter, where the file stores more."""
    north_angle_deg: float | None = None
    """Where celestial north is in the picture, counter-clockwise from up; a guess will do where a disc's pole shows."""
    mirrored: bool | None = None
    """Whether the picture is a mirror image (an odd number of reflections); None is taken as no."""
    temperature_c: float | None = None
    """Of the sensor, degrees Celsius."""


@dataclass(frozen=True)
class Site:
    """Where the telescope stood; longitude is east positive."""

    name: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None


@dataclass(frozen=True)
class Circumstances:
    """Everything known about one capture that its pixels do not say; None where unknown."""

    target: str | None = None
    start_utc: str | None = None
    """UTC of the first frame, ISO 8601."""
    exposure_s: float | None = None
    filter: str | None = None
    wavelength_nm: float | None = None
    dark: str | None = None
    """Calibration captures, folders or masters, this one and the next two; the word none takes back a weaker one."""
    flat: str | None = None
    bias: str | None = None
    telescope: Telescope = field(default_factory=Telescope)
    camera: Camera = field(default_factory=Camera)
    site: Site = field(default_factory=Site)

    def cutoff_cyc_per_px(self, wavelength_nm: float | None = None) -> float | None:
        """Return the telescope's cutoff D / lambda in cycles per pixel; None where telescope or camera are unknown."""
        optics = self.telescope.aperture_mm, self.telescope.focal_length_mm, self.camera.pixel_um
        if None in optics:
            return None
        aperture, focal_length, pixel = (float(value or 0) for value in optics)
        wavelength = wavelength_nm or self.wavelength_nm or ASSUMED_WAVELENGTH_NM
        return cutoff_cyc_per_px(aperture, focal_length, pixel, wavelength)

    @property
    def scale_arcsec_per_px(self) -> float | None:
        """Angle of a camera pixel on the sky; None where telescope or camera are unknown."""
        pixel, focal_length = self.camera.pixel_um, self.telescope.focal_length_mm
        return None if pixel is None or focal_length is None else scale_arcsec_per_px(pixel, focal_length)

    @property
    def obstruction_ratio(self) -> float:
        """Central obstruction over aperture; 0 where unknown."""
        telescope = self.telescope
        if not telescope.aperture_mm or not telescope.obstruction_mm:
            return 0.0
        return telescope.obstruction_mm / telescope.aperture_mm


def tables_from_circumstances(circumstances: Circumstances) -> dict[str, dict[str, Any]]:
    """Return the tables of a sidecar that says all of `circumstances`; what is not known is left out."""
    capture = asdict(circumstances)
    nested = {name: capture.pop(name) for name in ("telescope", "camera", "site")}
    tables = {"capture": capture, **nested}
    known = {name: {key: v for key, v in table.items() if v is not None} for name, table in tables.items()}
    return {name: table for name, table in known.items() if table}
