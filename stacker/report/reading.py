"""A run folder read back for showing: measurements, frames, curves, settings, pictures."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.sequence import CaptureError
from stacker.logbook import LoggedRun, read_run
from stacker.run_folder.frame_table import COLUMNS, FrameTable


@dataclass(frozen=True)
class RunFiles:
    """What a run folder holds, but for its large images."""

    logged: LoggedRun
    frames: FrameTable
    settings: str
    """settings.toml as it stands."""
    curves: Mapping[str, Any]
    """curves.json; empty for a run of an older version."""
    keep: Mapping[str, Any]
    """keep.json; empty where nothing measured how the share of frames matters."""

    @property
    def folder(self) -> Path:
        """The run folder."""
        return self.logged.folder

    def number(self, key: str) -> float | None:
        """Return a measured number; None where it was not measured."""
        return self.logged.value(key)

    def error(self, key: str) -> float | None:
        """Return the error of a measured number; None where it has none."""
        found = self.logged.measured.get(key)
        return None if found is None else found.error

    @property
    def zoom(self) -> float:
        """Pixels of the stack per camera pixel."""
        return float(self.logged.settings.get("stacking", {}).get("zoom") or 1.0)


def is_run(folder: Path) -> bool:
    """Tell whether a folder holds a run."""
    return (folder / "metrics.json").is_file() and (folder / "frames.csv").is_file()


def read_run_files(folder: Path | str) -> RunFiles:
    """Return what a run folder holds. Raises CaptureError, one line, where a file of it is missing or broken."""
    logged = read_run(folder)
    folder = Path(folder)
    return RunFiles(
        logged,
        _frames(folder / "frames.csv"),
        _text(folder / "settings.toml"),
        _json(folder / "curves.json"),
        _json(folder / "keep.json"),
    )


def read_picture(path: Path) -> NDArray[np.uint8] | NDArray[np.uint16] | None:
    """Return a picture, (H, W) or (H, W, 3) RGB, of 8 or 16 bits; None where there is none that can be read."""
    import cv2

    try:
        stored = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return None
    picture = cv2.imdecode(stored, cv2.IMREAD_UNCHANGED) if stored.size else None
    if picture is None or picture.dtype not in (np.uint8, np.uint16):
        return None
    return picture if picture.ndim == 2 else cv2.cvtColor(picture[..., :3], cv2.COLOR_BGR2RGB)  # type: ignore[return-value]


def read_linear(path: Path) -> NDArray[np.float32] | None:
    """Return the image of a FITS file of a run, (H, W) or (H, W, 3); None where there is none that can be read."""
    from astropy.io import fits

    try:
        with fits.open(path, memmap=False) as opened:
            data = np.asarray(opened[0].data, np.float32)
    except (OSError, ValueError, TypeError, IndexError):
        return None
    return np.ascontiguousarray(np.moveaxis(data, 0, 2)) if data.ndim == 3 else data


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise CaptureError(path.parent, f"holds no {path.name}", "name a run folder") from None
    except OSError as error:
        raise CaptureError(path, f"cannot be read ({error.strerror or error})", "check file and drive") from error
    except ValueError as error:
        raise CaptureError(path, "is not UTF-8 text", "process the capture again") from error


def _json(path: Path) -> Mapping[str, Any]:
    if not path.is_file():
        return {}
    try:
        found = json.loads(_text(path))
    except ValueError as error:
        raise CaptureError(path, "is not valid JSON", "process the capture again") from error
    if not isinstance(found, dict):
        raise CaptureError(path, "holds no table of values", "process the capture again")
    return found


def _frames(path: Path) -> FrameTable:
    rows = list(csv.DictReader(_text(path).splitlines()))
    try:
        columns = {name: [row[name] for row in rows] for name in COLUMNS}
        number = {name: np.array([float(word or "nan") for word in columns[name]]) for name in COLUMNS[1:6]}
    except (KeyError, TypeError, ValueError) as error:
        raise CaptureError(path, "is not the table of a run's frames", "process the capture again") from error
    shift = np.stack([number["dy_px"], number["dx_px"]], axis=1)
    used = np.array([word == "1" for word in columns["used"]], bool)
    return FrameTable(
        number["time_s"], number["sharpness"], number["brightness"], shift, used, tuple(columns["reason"])
    )
