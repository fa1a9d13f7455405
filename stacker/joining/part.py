"""One run folder as a part of a larger picture."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.capture.sequence import CaptureError
from stacker.capture.sidecar import circumstances_from_tables
from stacker.colour.filters import Filter, filter_in_name, filter_named
from stacker.colour.plane_set import Plane
from stacker.ranking.target import sight_target

Real = NDArray[np.float32]


@dataclass(frozen=True)
class Part:
    """What a run folder gives to a larger picture."""

    folder: Path
    plane: Plane
    circumstances: Circumstances
    metrics: dict[str, Any]
    filter: Filter | None
    shared_name: str
    """The name of the capture without its filter: parts of one set share it, where nothing better is known."""
    middle_utc: datetime | None
    saturation_adu: float
    """Where the camera saturates; inf where not known."""

    @property
    def name(self) -> str:
        """Return what the part is called: its filter, else its folder."""
        return self.filter.name if self.filter else self.folder.name

    @property
    def target(self) -> str | None:
        """Return what was recorded."""
        return self.circumstances.target


def is_run_folder(path: Path) -> bool:
    """Return whether a path is a run folder and not a capture."""
    return (path / "metrics.json").is_file() and (path / "stack.fits").is_file()


def is_joined(path: Path) -> bool:
    """Return whether a run folder holds a picture that was joined from several captures."""
    try:
        return bool(json.loads((path / "metrics.json").read_bytes()).get("parts"))
    except (OSError, ValueError, AttributeError):
        return False


def read_part(folder: Path) -> Part:
    """Read the run folder of one capture.

    Raises CaptureError, one line, where files are missing or broken, or where the folder is itself a joined picture.
    """
    try:
        metrics = json.loads((folder / "metrics.json").read_bytes())
    except (OSError, ValueError) as error:
        raise CaptureError(folder, "is no run folder that can be read", "name one, or its capture") from error
    if metrics.get("parts"):
        raise CaptureError(folder, "is joined from several captures already", "name the runs of those captures")
    image, variance, coverage, header = _read_images(folder / "stack.fits")
    finished = _read_images(folder / "finished.fits")[0]
    kind = "disc" if metrics.get("target") == "disc" else "surface"
    circumstances = circumstances_from_tables(metrics.get("circumstances") or {}, folder / "metrics.json")
    told = filter_named(circumstances.filter)
    in_name, shared = filter_in_name(folder.name)
    found = told or in_name
    name = found.name if found else folder.name
    plane = Plane(name, image, variance, coverage, finished, _mask(image, kind), kind)
    if told is not None and in_name is None:
        shared = folder.name
    saturation = header.get("SATURATE")
    middle = _middle_utc(circumstances.start_utc, header.get("TELAPSE"))
    return Part(
        folder, plane, circumstances, metrics, found, shared, middle, inf if saturation is None else float(saturation)
    )


def without_filter(circumstances: Circumstances) -> Circumstances:
    """Return what all parts of a set have in common of the first one's circumstances."""
    camera = replace(circumstances.camera, gain_e_per_adu=None)
    return replace(circumstances, filter=None, wavelength_nm=None, exposure_s=None, camera=camera)


def _read_images(path: Path) -> tuple[Real, Real, Real, dict[str, Any]]:
    from astropy.io import fits

    try:
        with fits.open(path, memmap=False) as opened:
            planes = [np.asarray(unit.data, np.float32) for unit in opened[:3]]
            header = dict(opened[0].header)
    except (OSError, ValueError, TypeError, IndexError) as error:
        raise CaptureError(path, "cannot be read", "process the capture again") from error
    if len(planes) != 3:
        raise CaptureError(path, "holds no variance and coverage", "process the capture again")
    image, variance, coverage = (np.ascontiguousarray(np.moveaxis(p, 0, 2)) if p.ndim == 3 else p for p in planes)
    return image, variance, coverage, header


def _mask(image: Real, kind: str) -> NDArray[np.bool_]:
    grey = image if image.ndim == 2 else image.mean(2)
    if kind == "surface":
        return np.ones(grey.shape, bool)
    return sight_target(np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0), np.float32)).mask


def _middle_utc(start_utc: str | None, span_s: Any) -> datetime | None:
    if start_utc is None:
        return None
    return datetime.fromisoformat(start_utc) + timedelta(seconds=0.5 * float(span_s or 0.0))
