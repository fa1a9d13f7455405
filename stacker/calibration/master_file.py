"""Masters as FITS files: the mean, its variance beside it, and of how many frames of which exposure it was made."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.calibration.averaging import Average
from stacker.capture.circumstances import Circumstances
from stacker.capture.fits_header import Unit, units
from stacker.capture.positioned import PositionedFile
from stacker.fits_card import Value
from stacker.fits_file import Hdu, write_fits
from stacker.whole_file import written_whole

Map = NDArray[np.float32]
_TOP_DOWN: dict[str, tuple[Value, str]] = {"ROWORDER": ("TOP-DOWN", "the first stored row is the top row")}


@dataclass(frozen=True)
class Told:
    """What the headers of a FITS file say of a master in it."""

    kind: str | None
    frames: int
    level_spread: float
    full_scale: float | None
    variance: Map | None


def write_master(
    path: Path,
    kind: str,
    average: Average,
    circumstances: Circumstances,
    full_scale: float,
    mosaic: str | None,
    sha256: str,
) -> None:
    """Write a master, whole or not at all. Raises OSError where the disk refuses."""
    camera = circumstances.camera
    known: dict[str, tuple[Value, str]] = {
        "MASTER": (kind, "kind of calibration frames averaged here"),
        "NCOMBINE": (average.frames, "frames averaged"),
        "SPREAD": (average.level_spread, "relative scatter of the frames' levels"),
        "SATURATE": (full_scale if np.isfinite(full_scale) else None, "[adu] full scale"),
        "EXPTIME": (circumstances.exposure_s, "[s] one frame"),
        "FILTER": (circumstances.filter, "filter"),
        "INSTRUME": (camera.name, "camera"),
        "EGAIN": (camera.gain_e_per_adu, "[electron/adu] gain"),
        "CCD-TEMP": (camera.temperature_c, "[degC] sensor"),
        "BAYERPAT": (mosaic, "colour mosaic, stored rows"),
        "INSHA256": (sha256, "SHA-256 of the frames averaged"),
    }
    header = _TOP_DOWN | {keyword: entry for keyword, entry in known.items() if entry[0] is not None}
    parts = [Hdu(average.mean, {"BUNIT": ("adu", "mean of the frames"), **header})]
    if average.variance is not None:
        parts.append(Hdu(average.variance, {"BUNIT": ("adu**2", "variance of the mean"), **_TOP_DOWN}, "VARIANCE"))
    with written_whole(path) as temporary:
        write_fits(temporary, parts)


def told_by(path: Path, shape: tuple[int, ...]) -> Told:
    """Return what a FITS file says of the master in it; of any other file, nothing.

    The variance is read from the extension VARIANCE where it is a float image of `shape`. Raises CaptureError where
    the file cannot be read.
    """
    if path.is_dir():
        return Told(None, 1, 0.0, None, None)
    file = PositionedFile(path)
    try:
        if not file.read(0, 9).startswith(b"SIMPLE  ="):
            return Told(None, 1, 0.0, None, None)
        found = list(units(file))
        variance = next(
            (_image(file, u, shape) for u in found if (u.text("EXTNAME") or "").upper() == "VARIANCE"), None
        )
    finally:
        file.close()
    first = found[0]
    kind = (first.text("MASTER") or "").lower()
    frames = int(first.number("NCOMBINE") or 1)
    return Told(kind or None, frames, first.number("SPREAD") or 0.0, first.number("SATURATE"), variance)


def _image(file: PositionedFile, unit: Unit, shape: tuple[int, ...]) -> Map | None:
    """Return a float32 image of (H, W) or (H, W, 3); None where the unit holds something else."""
    planes = (shape[2], *shape[:2]) if len(shape) == 3 else shape
    if unit.number("BITPIX") != -32 or unit.axes[::-1] != planes:
        return None
    stored: NDArray[Any] = np.empty(planes, ">f4")
    if file.read_into(stored, unit.data_offset) < stored.nbytes:
        return None
    if (unit.text("ROWORDER") or "").upper() == "BOTTOM-UP":
        stored = stored[..., ::-1, :]
    return np.ascontiguousarray(np.moveaxis(stored, 0, -1) if len(shape) == 3 else stored, np.float32)
