"""A run folder as one record: metrics.json, settings.toml and, of older runs, the header of stack.fits."""

from __future__ import annotations

import hashlib
import json
import math
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from stacker.capture.circumstances import tables_from_circumstances
from stacker.capture.sequence import CaptureError
from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.standing import night_of, standing_of

Tables = dict[str, dict[str, Any]]
_NO_MEASUREMENTS = ("schema_version",)
_CALIBRATION = ("dark", "flat", "bias")
_STAGES_ONLY = ("capture", "telescope", "camera", "site")
ID_DIGITS = 16


def read_run(folder: Path | str) -> LoggedRun:
    """Return the run that a run folder holds. Raises CaptureError, one line, where it holds none that can be read."""
    folder = Path(folder).absolute()
    metrics = _metrics(folder / "metrics.json")
    settings = _settings(folder / "settings.toml")
    circumstances = _circumstances(metrics, folder)
    altitude, airmass = standing_of(circumstances)
    return LoggedRun(
        id=run_id(metrics, settings, circumstances),
        folder=folder,
        processed_utc=_moment_of(folder / "metrics.json"),
        capture=str(metrics.get("capture") or folder.name),
        capture_sha256=metrics.get("capture_sha256"),
        software_version=metrics.get("software_version"),
        kind=metrics.get("target"),
        night=night_of(circumstances),
        altitude_deg=altitude,
        airmass=airmass,
        circumstances=circumstances,
        settings=settings,
        measured=measured_in(metrics),
        metrics=metrics,
    )


def run_id(metrics: Mapping[str, Any], settings: Tables, circumstances: Tables) -> str:
    """Return what names a run: the same capture, settings, circumstances and version make the same run.

    That is `work_sha256`; for older runs it is made up here. Where a run lies and when it was made do not count.
    """
    if isinstance(metrics.get("work_sha256"), str):
        return str(metrics["work_sha256"])[:ID_DIGITS]
    told = {name: dict(table) for name, table in circumstances.items()}
    for key in _CALIBRATION:
        if key in told.get("capture", {}):
            told["capture"][key] = Path(str(told["capture"][key])).name
    parts = [metrics.get("capture_sha256") or metrics.get("capture"), metrics.get("software_version"), settings, told]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:ID_DIGITS]


def measured_in(metrics: Mapping[str, Any]) -> dict[str, Measured]:
    """Return every finite number of metrics.json with its error, the shares of the limits as `limit_<name>`."""
    found = {
        key: Measured(float(value), _error(metrics.get(f"{key}_error")))
        for key, value in metrics.items()
        if _is_number(value) and not key.endswith("_error") and key not in _NO_MEASUREMENTS
    }
    limits = metrics.get("limits")
    for limit in limits if isinstance(limits, list) else ():
        if isinstance(limit, Mapping) and _is_number(limit.get("share")) and isinstance(limit.get("name"), str):
            found[f"limit_{limit['name']}"] = Measured(float(limit["share"]), _error(limit.get("share_error")))
    return found


def _metrics(path: Path) -> dict[str, Any]:
    try:
        metrics = json.loads(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        raise CaptureError(path.parent, "is no run folder", "name a folder that holds metrics.json") from None
    except OSError as error:
        raise CaptureError(path, f"cannot be read ({error.strerror or error})", "check file and drive") from error
    except ValueError as error:
        raise CaptureError(path, "is not valid JSON", "process the capture again") from error
    if not isinstance(metrics, dict) or "schema_version" not in metrics:
        raise CaptureError(path, "holds no measurements of a run", "process the capture again")
    return metrics


def _settings(path: Path) -> Tables:
    """Return the settings by stage; what the caller said about the capture stands among the circumstances."""
    try:
        tables = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise CaptureError(path, f"cannot be read ({error.strerror or error})", "process the capture again") from error
    except ValueError as error:
        raise CaptureError(path, "is not valid TOML", "process the capture again") from error
    return {name: table for name, table in tables.items() if name not in _STAGES_ONLY and isinstance(table, dict)}


def _circumstances(metrics: Mapping[str, Any], folder: Path) -> Tables:
    told = metrics.get("circumstances")
    if isinstance(told, dict):
        return {name: table for name, table in told.items() if isinstance(table, dict)}
    return _from_header(folder / "stack.fits")


def _from_header(path: Path) -> Tables:
    """Return what the header of an older run's stack says; nothing where there is none."""
    from contextlib import closing
    from dataclasses import replace

    from stacker.capture.fits_circumstances import circumstances_from_fits
    from stacker.capture.fits_header import units
    from stacker.capture.positioned import PositionedFile

    try:
        with closing(PositionedFile(path)) as file:
            unit = next(units(file))
    except (CaptureError, OSError, StopIteration):
        return {}
    known = circumstances_from_fits(unit)
    telescope = replace(known.telescope, obstruction_mm=unit.number("OBSTDIA"))
    exposure, wavelength = unit.number("EXPTIME"), unit.number("WAVELNTH")
    return tables_from_circumstances(replace(known, telescope=telescope, exposure_s=exposure, wavelength_nm=wavelength))


def _moment_of(path: Path) -> str:
    moment = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _error(value: Any) -> float | None:
    return float(value) if _is_number(value) and value >= 0 else None
