"""What is known about a capture beside its pixels: target, times, telescope, camera, site."""

from __future__ import annotations

from dataclasses import dataclass, field


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
    """Colours of the 2x2 cell, row by row: RGGB, BGGR, GRBG or GBRG; None for mono or full colour."""
    gain_e_per_adu: float | None = None
    bits: int | None = None
    """Significant bits of the converter, where the file stores more."""


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
    flat: str | None = None
    bias: str | None = None
    telescope: Telescope = field(default_factory=Telescope)
    camera: Camera = field(default_factory=Camera)
    site: Site = field(default_factory=Site)
