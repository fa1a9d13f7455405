"""What a FITS header says about telescope, camera, site and times, in the records all readers share."""

from __future__ import annotations

import re

import numpy as np

from stacker.capture.circumstances import MOSAICS, Camera, Circumstances, Site, Telescope
from stacker.capture.fits_header import Unit
from stacker.capture.timing import text_from_utc, utc_from_text

_ANGLE = re.compile(r"\s*([+-]?)\s*(\d+(?:\.\d*)?)(?:[\s:d°]+(\d+(?:\.\d*)?))?(?:[\s:m']+(\d+(?:\.\d*)?))?")


def circumstances_from_fits(unit: Unit) -> Circumstances:
    """Return what the header knows; keywords of FITS 4.0 first, then those in common use."""
    start = start_from_fits(unit)
    return Circumstances(
        target=unit.text("OBJECT"),
        start_utc=None if start is None else text_from_utc(start),
        exposure_s=_positive(unit, "XPOSURE", "EXPTIME", "EXPOSURE"),
        filter=unit.text("FILTER"),
        telescope=Telescope(
            name=unit.text("TELESCOP"),
            aperture_mm=_positive(unit, "APTDIA"),
            focal_length_mm=_positive(unit, "FOCALLEN"),
        ),
        camera=Camera(
            name=unit.text("INSTRUME"),
            pixel_um=_positive(unit, "XPIXSZ"),
            gain_e_per_adu=_positive(unit, "EGAIN"),
            temperature_c=unit.number("CCD-TEMP"),
        ),
        site=Site(
            name=unit.text("OBSERVAT", "SITENAME"),
            latitude_deg=_angle_deg(unit, "OBSGEO-B", "SITELAT"),
            longitude_deg=_angle_deg(unit, "OBSGEO-L", "SITELONG"),
            elevation_m=unit.number("OBSGEO-H", "SITEELEV"),
        ),
    )


def start_from_fits(unit: Unit) -> np.datetime64 | None:
    """Return UTC of the first exposure's start, or None where the header has none or counts in another time scale."""
    if (unit.text("TIMESYS") or "UTC").upper() not in ("UTC", "UT", "GMT"):
        return None
    date = unit.text("DATE-OBS", "DATE-BEG")
    time = unit.text("TIME-OBS", "UT", "UTC")
    if date is None:
        return None
    if "T" not in date and time is not None:
        return utc_from_text(f"{date}T{time}") or utc_from_text(date)
    return utc_from_text(date)


def cadence_from_fits(unit: Unit, frames: int) -> float | None:
    """Return seconds from frame to frame: the stated rate, or the span of the observation, or the exposure."""
    rate_hz = _positive(unit, "FRATE", "FPS", "FRAMERAT")
    if rate_hz is not None:
        return 1 / rate_hz
    start, end = start_from_fits(unit), utc_from_text(unit.text("DATE-END") or "")
    if start is not None and end is not None and end > start and frames > 1:
        return float((end - start) / np.timedelta64(1, "s")) / frames
    return _positive(unit, "XPOSURE", "EXPTIME", "EXPOSURE")


def mosaic_from_fits(unit: Unit, height: int, turned: bool) -> str | None:
    """Return the colours of the first 2x2 cell as delivered, from BAYERPAT in stored rows and its offsets.

    `turned` says that the stored rows of a frame of `height` rows are delivered in reverse order.
    """
    pattern = (unit.text("BAYERPAT", "COLORTYP") or "").upper()
    if pattern not in MOSAICS:
        return None
    row_shift, column_shift = int(unit.number("YBAYROFF") or 0), int(unit.number("XBAYROFF") or 0)
    rows = [height - 1, height - 2] if turned else [0, 1]
    return "".join(
        pattern[(row + row_shift) % 2 * 2 + (column + column_shift) % 2] for row in rows for column in (0, 1)
    )


def _positive(unit: Unit, *keywords: str) -> float | None:
    return next((value for word in keywords if (value := unit.number(word)) is not None and value > 0), None)


def _angle_deg(unit: Unit, *keywords: str) -> float | None:
    """Return degrees from a number or from text such as '+48 12 30.5'."""
    number = unit.number(*keywords)
    if number is not None:
        return number
    match = _ANGLE.match(unit.text(*keywords) or "")
    if match is None:
        return None
    degrees: float = sum(float(part) / 60.0**power for power, part in enumerate(match.groups()[1:]) if part)
    return -degrees if match[1] == "-" else degrees
