"""Options that say what a capture does not: the sidecar's keys on the command line, where they beat it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stacker.capture.circumstances import Circumstances

OPTIONS: tuple[tuple[str, str, str, type, str, str], ...] = (
    ("--object", "capture", "target", str, "NAME", "what was recorded (sidecar key target)"),
    ("--start-utc", "capture", "start_utc", str, "TIME", "UTC of the first frame, as 2031-04-05T21:30:00Z"),
    ("--exposure-s", "capture", "exposure_s", float, "S", "exposure of one frame in seconds"),
    ("--filter", "capture", "filter", str, "NAME", "filter in front of the camera"),
    ("--wavelength-nm", "capture", "wavelength_nm", float, "NM", "middle of the band in nanometres"),
    ("--dark", "capture", "dark", str, "PATH", "darks: a capture, a folder or a master; none takes back the sidecar's"),
    ("--flat", "capture", "flat", str, "PATH", "flats, likewise"),
    ("--bias", "capture", "bias", str, "PATH", "biases, likewise"),
    ("--telescope", "telescope", "name", str, "NAME", "name of the telescope"),
    ("--aperture-mm", "telescope", "aperture_mm", float, "MM", "aperture of the telescope"),
    ("--focal-length-mm", "telescope", "focal_length_mm", float, "MM", "focal length in use, Barlow lens included"),
    ("--obstruction-mm", "telescope", "obstruction_mm", float, "MM", "diameter of the central obstruction"),
    ("--camera", "camera", "name", str, "NAME", "name of the camera"),
    ("--pixel-um", "camera", "pixel_um", float, "UM", "size of a pixel in micrometres"),
    ("--mosaic", "camera", "mosaic", str, "CELL", "colour mosaic: RGGB, BGGR, GRBG or GBRG"),
    ("--gain-e-per-adu", "camera", "gain_e_per_adu", float, "GAIN", "electrons per ADU, the camera's number"),
    ("--bits", "camera", "bits", int, "BITS", "significant bits, where the file stores more"),
    ("--north-angle-deg", "camera", "north_angle_deg", float, "DEG", "where north is, counter-clockwise from up"),
    ("--mirrored", "camera", "mirrored", bool, "", "the picture is a mirror image"),
    ("--temperature-c", "camera", "temperature_c", float, "C", "temperature of the sensor, degrees Celsius"),
    ("--site", "site", "name", str, "NAME", "name of the site"),
    ("--latitude-deg", "site", "latitude_deg", float, "DEG", "latitude, north positive"),
    ("--longitude-deg", "site", "longitude_deg", float, "DEG", "longitude, east positive"),
    ("--elevation-m", "site", "elevation_m", float, "M", "height above the sea in metres"),
)
"""Option, table and key of the sidecar, type, placeholder, help."""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add one option a sidecar key."""
    group = parser.add_argument_group(
        "what the capture does not say",
        "Each beats the sidecar CAPTURE.toml, which beats night.toml in its folder, which beats the file's header.",
    )
    for option, table, key, kind, placeholder, words in OPTIONS:
        how: dict[str, Any] = {"type": kind, "metavar": placeholder}
        if kind is bool:
            how = {"action": argparse.BooleanOptionalAction}
        group.add_argument(option, dest=f"{table}.{key}", help=words, **how)


def declared(arguments: argparse.Namespace) -> Circumstances | None:
    """Return what the options say, checked as a sidecar is; None where they say nothing.

    Raises SettingsError for a value that cannot be.
    """
    from pathlib import Path

    from stacker.capture.sequence import CaptureError
    from stacker.capture.sidecar import circumstances_from_tables
    from stacker.settings import SettingsError

    tables: dict[str, dict[str, Any]] = {}
    for _, table, key, _, _, _ in OPTIONS:
        value = getattr(arguments, f"{table}.{key}")
        if value is not None:
            tables.setdefault(table, {})[key] = value
    if not tables:
        return None
    try:
        return circumstances_from_tables(tables, Path("the command line"))
    except CaptureError as error:
        raise SettingsError(str(error)) from error
