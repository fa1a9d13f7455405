"""Master darks, flats and biases: made from a capture, a folder or a master file, once, and known again by content."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stacker.calibration.averaging import Average, average_frames
from stacker.calibration.cache import cache_folder, make_room
from stacker.calibration.master_file import told_by, write_master
from stacker.capture import Capture, CaptureError, Circumstances, open_capture
from stacker.capture.fingerprint import fingerprint

Map = NDArray[np.float32]
KINDS = ("dark", "flat", "bias")
_RECIPE = 1
"""Counts up when masters are made differently: those kept from before are then not used."""


@dataclass(frozen=True)
class Master:
    """The mean of calibration frames with its own noise."""

    kind: str
    path: Path
    mean: Map
    """(H, W) or (H, W, 3), in the camera's numbers."""
    variance: Map | None
    """Of the mean; None where one frame was all, or the file does not say."""
    frames: int
    level_spread: float
    full_scale: float
    """inf where not known."""
    mosaic: str | None
    whole_numbers: np.dtype[np.uint8] | np.dtype[np.uint16] | None
    """How the frames were stored; None for a master of real numbers."""
    circumstances: Circumstances
    sha256: str

    @property
    def frame_variance(self) -> Map | None:
        """Variance of a single frame; None where not known."""
        return None if self.variance is None or self.frames < 2 else self.variance * np.float32(self.frames)


def load_master(path: Path | str, kind: str) -> Master:
    """Return the master of `kind` (dark, flat or bias) that a capture, a folder of frames or a master file holds.

    A master file is a single frame; of FITS the extension VARIANCE is read too. Masters made from more frames are kept
    in the user's cache folder under the digest of the frames and taken from there the next time.

    Raises CaptureError where the frames cannot be read, or the file says that it is another kind of master.
    """
    path = Path(path)
    with open_capture(path) as capture:
        sha256 = fingerprint(capture.path)
        whole = None if capture.dtype.kind == "f" else capture.dtype
        if len(capture) > 1:
            average, full_scale = _kept_or_made(capture, kind, sha256), capture.full_scale
        else:
            average, full_scale = _single(capture, kind)
        return Master(
            kind=kind,
            path=path,
            mean=average.mean,
            variance=average.variance,
            frames=average.frames,
            level_spread=average.level_spread,
            full_scale=full_scale,
            mosaic=capture.mosaic,
            whole_numbers=whole,  # type: ignore[arg-type]
            circumstances=capture.circumstances,
            sha256=sha256,
        )


def _single(capture: Capture, kind: str) -> tuple[Average, float]:
    told = told_by(capture.path, capture.shape)
    if told.kind is not None and told.kind != kind:
        raise CaptureError(capture.path, f"is a master {told.kind}, given as {kind}", f"name it as {told.kind}")
    average = average_frames(capture)
    full_scale = capture.full_scale if told.full_scale is None else told.full_scale
    return Average(average.mean, told.variance, told.frames, told.level_spread), full_scale


def _kept_or_made(capture: Capture, kind: str, sha256: str) -> Average:
    folder = cache_folder()
    place = folder / f"{kind}-{sha256[:40]}-{_RECIPE}.fits"
    kept = _kept(place, capture.shape)
    if kept is not None:
        return kept
    average = average_frames(capture, flickers=kind == "flat")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        circumstances = capture.circumstances
        write_master(place, kind, average, circumstances, capture.full_scale, capture.mosaic, sha256)
        make_room(folder)
    except OSError:
        pass  # A full or read-only disk costs the time of making the master again, nothing else.
    return average


def _kept(place: Path, shape: tuple[int, ...]) -> Average | None:
    """Return a master kept from before; None where there is none, or it is not what was written there."""
    if not place.is_file():
        return None
    try:
        with open_capture(place) as capture:
            told = told_by(place, shape)
            if capture.shape != shape or len(capture) != 1 or told.variance is None:
                return None
            mean = capture.get_frame(0)
        os.utime(place)
    except (CaptureError, OSError):
        return None
    return Average(np.asarray(mean, np.float32), told.variance, told.frames, told.level_spread)
