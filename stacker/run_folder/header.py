"""What the FITS headers of a run say: the sky, the instrument, the frames, what made the image."""

from __future__ import annotations

from collections.abc import Mapping

from stacker.capture.circumstances import Circumstances
from stacker.fits_card import Value
from stacker.version import __version__


def image_header(
    circumstances: Circumstances,
    *,
    capture_name: str,
    frames_total: int,
    frames_used: int,
    scale_arcsec_per_px: float | None,
    span_s: float | None = None,
    capture_sha256: str | None = None,
    saturation_adu: float | None = None,
    provenance: Mapping[str, tuple[Value, str]] | None = None,
) -> dict[str, tuple[Value, str]]:
    """Return keyword: (value, comment) for `write_run`; what is not known is left out.

    Reserved keywords have the meaning of FITS 4.0 (section 8 and 9): DATE-OBS is the start, XPOSURE the exposure that
    is in the image (frames used times one frame's), TELAPSE the time from the first frame to the last. EXPTIME, by
    common practice, is one frame's exposure. EXPTIME, EGAIN, CCD-TEMP, SATURATE, XPIXSZ, FOCALLEN, APTDIA
    and FILTER are common, not reserved.
    """
    telescope, camera, site = circumstances.telescope, circumstances.camera, circumstances.site
    exposure_s = circumstances.exposure_s
    start = circumstances.start_utc
    known: dict[str, tuple[Value, str]] = {
        "OBJECT": (circumstances.target, "target"),
        "DATE-OBS": (start.removesuffix("Z").removesuffix("+00:00") if start else None, "start of the capture"),
        "TIMESYS": ("UTC" if start else None, "time scale"),
        "EXPTIME": (exposure_s, "[s] one frame"),
        "XPOSURE": (None if exposure_s is None else round(exposure_s * frames_used, 9), "[s] all frames used"),
        "TELAPSE": (span_s, "[s] first frame to last"),
        "FILTER": (circumstances.filter, "filter"),
        "WAVELNTH": (circumstances.wavelength_nm, "[nm] middle of the band"),
        "TELESCOP": (telescope.name, "telescope"),
        "APTDIA": (telescope.aperture_mm, "[mm] aperture"),
        "OBSTDIA": (telescope.obstruction_mm, "[mm] central obstruction"),
        "FOCALLEN": (telescope.focal_length_mm, "[mm] focal length in use"),
        "INSTRUME": (camera.name, "camera"),
        "EGAIN": (camera.gain_e_per_adu, "[electron/adu] gain"),
        "CCD-TEMP": (camera.temperature_c, "[degC] sensor"),
        "XPIXSZ": (camera.pixel_um, "[um] pixel"),
        "YPIXSZ": (camera.pixel_um, "[um] pixel"),
        "SCALE": (scale_arcsec_per_px, "[arcsec/px] image scale"),
        "SITENAME": (site.name, "site"),
        "SITELAT": (site.latitude_deg, "[deg] north positive"),
        "SITELONG": (site.longitude_deg, "[deg] east positive"),
        "SITEELEV": (site.elevation_m, "[m] above the sea"),
        "CAPTURE": (capture_name, "capture"),
        "NFRAMES": (frames_total, "frames in the capture"),
        "NCOMBINE": (frames_used, "frames in the image"),
        "SWCREATE": (f"stillair {__version__}", "software and version"),
        "SATURATE": (saturation_adu, "[adu] where the camera saturates"),
        "INSHA256": (capture_sha256, "SHA-256 of the capture"),
    }
    known |= provenance or {}
    return {keyword: entry for keyword, entry in known.items() if entry[0] is not None}
