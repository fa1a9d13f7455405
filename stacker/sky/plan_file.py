"""What a plan is for: site, night, telescopes and cameras, from a TOML file."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from stacker.settings import SettingsError
from stacker.sky.bodies import BODIES, body_named
from stacker.sky.vectors import Site

MOUNTS = ("equatorial", "altazimuth")
MOSAICS = ("RGGB", "BGGR", "GRBG", "GBRG")


@dataclass(frozen=True)
class PlannedTelescope:
    """A telescope as it stands, without a Barlow lens."""

    name: str
    aperture_mm: float
    focal_length_mm: float
    obstruction_mm: float = 0.0
    mount: str = "equatorial"
    solar_filter: bool = False
    """Whether a certified full-aperture filter for it is at hand."""


@dataclass(frozen=True)
class PlannedCamera:
    """A camera; the size of its frames is needed only to say what fits."""

    name: str
    pixel_um: float
    width_px: int | None = None
    height_px: int | None = None
    mosaic: str | None = None


@dataclass(frozen=True)
class Conditions:
    """What the site's air and horizon usually are."""

    seeing_arcsec: float = 2.0
    """Of a long exposure, at the zenith."""
    wind_m_per_s: float = 10.0
    """Of the layers that blur; sets how fast the blur changes."""
    horizon_deg: float = 15.0
    """Below this altitude nothing is planned."""
    runs: Path | None = None
    """Folder of run folders whose measured seeing replaces `seeing_arcsec`."""


@dataclass(frozen=True)
class PlanFile:
    """All that a plan needs but the sky."""

    site: Site
    conditions: Conditions
    night: date | None
    targets: tuple[str, ...]
    telescopes: tuple[PlannedTelescope, ...]
    cameras: tuple[PlannedCamera, ...]


_SITE = ("name", "latitude_deg", "longitude_deg", "elevation_m")
_CONDITIONS = tuple(item.name for item in fields(Conditions))
_KEYS: dict[str, tuple[str, ...]] = {
    "site": (*_SITE, *_CONDITIONS),
    "night": ("date", "targets"),
    "telescope": tuple(item.name for item in fields(PlannedTelescope)),
    "camera": tuple(item.name for item in fields(PlannedCamera)),
}
_TEXT, _WHOLE = ("name", "mount", "mosaic", "runs"), ("width_px", "height_px")
_LIMITS: dict[str, tuple[float, float]] = {
    "aperture_mm": (10, 50000),
    "focal_length_mm": (20, 500000),
    "obstruction_mm": (0, 50000),
    "pixel_um": (0.3, 100),
    "width_px": (8, 100000),
    "height_px": (8, 100000),
    "seeing_arcsec": (0.1, 30),
    "wind_m_per_s": (0.5, 100),
    "horizon_deg": (0, 80),
}


def read_plan(path: Path) -> PlanFile:
    """Read a plan's file. Raises SettingsError, one line, for anything that is not as it should be."""
    try:
        tables = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror}); check name and permissions") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: is not UTF-8 text; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: is not valid TOML ({error}); mend that line") from error
    try:
        return plan_from_tables(tables, path.parent)
    except ValueError as error:
        raise SettingsError(f"{path}: {error}") from error


def plan_from_tables(tables: Mapping[str, Any], folder: Path) -> PlanFile:
    """Return the plan's file that these tables are; `runs` is relative to `folder`. Raises ValueError."""
    for name in tables:
        if name not in _KEYS:
            raise ValueError(f"unknown table [{name}]; {_nearest(name, tuple(_KEYS))}")
    site = _table(tables, "site")
    missing = [key for key in ("latitude_deg", "longitude_deg") if key not in site]
    if missing:
        raise ValueError(f"[site] lacks {' and '.join(missing)}; say where the telescopes stand")
    conditions = Conditions(**{key: value for key, value in site.items() if key in _CONDITIONS})
    if conditions.runs is not None:
        conditions = replace(conditions, runs=folder / conditions.runs)
    night = _table(tables, "night")
    telescopes = tuple(PlannedTelescope(**entry) for entry in _list(tables, "telescope"))
    cameras = tuple(PlannedCamera(**entry) for entry in _list(tables, "camera"))
    for telescope in telescopes:
        if not telescope.obstruction_mm < telescope.aperture_mm:
            raise ValueError(f"telescope '{telescope.name}' is all obstruction; obstruction_mm is its diameter")
    place = Site(**{key: value for key, value in site.items() if key in _SITE})
    return PlanFile(
        place, conditions, _night(night.get("date")), targets_from(night.get("targets")), telescopes, cameras
    )


def targets_from(names: Any) -> tuple[str, ...]:
    """Return targets by their proper names; all of them for None. Raises ValueError for an unknown one."""
    if names is None:
        return tuple(body.name for body in BODIES.values())
    if not isinstance(names, list | tuple) or not all(isinstance(name, str) for name in names):
        raise ValueError(f"targets is {names!r}; give a list of names such as ['Moon', 'Jupiter']")
    return tuple(dict.fromkeys(body_named(name).name for name in names))


def night_from_text(text: str) -> date:
    """Return a date. Raises ValueError for what is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"the night is {text!r}; give the date of its evening as 2031-04-05") from None


def _night(value: Any) -> date | None:
    if value is None:
        return None
    if isinstance(value, datetime):
        return value.date()
    return value if isinstance(value, date) else night_from_text(str(value))


def _table(tables: Mapping[str, Any], name: str) -> dict[str, Any]:
    entries = tables.get(name, {})
    if not isinstance(entries, dict):
        raise ValueError(f"'{name}' is no table; write [{name}] with keys below it")
    return {key: _checked(name, key, value) for key, value in entries.items()}


def _list(tables: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    entries = tables.get(name, [])
    if isinstance(entries, dict):
        entries = [entries]
    if not isinstance(entries, list) or not entries or not all(isinstance(entry, dict) for entry in entries):
        raise ValueError(f"no {name} is listed; write [[{name}]] with its keys below it, once for each")
    checked = [{key: _checked(name, key, value) for key, value in entry.items()} for entry in entries]
    needed = {"telescope": ("name", "aperture_mm", "focal_length_mm"), "camera": ("name", "pixel_um")}[name]
    for entry in checked:
        missing = [key for key in needed if key not in entry]
        if missing:
            raise ValueError(f"a [[{name}]] lacks {' and '.join(missing)}")
    return checked


def _checked(table: str, key: str, value: Any) -> Any:
    if key not in _KEYS[table]:
        raise ValueError(f"unknown key '{key}' in [{table}]; {_nearest(key, _KEYS[table])}")
    if table == "night":
        return value
    if key in _TEXT:
        return _checked_text(table, key, value)
    if key == "solar_filter":
        if not isinstance(value, bool):
            raise ValueError(f"[{table}] solar_filter is {value!r}; give true or false")
        return value
    if isinstance(value, bool) or not isinstance(value, int if key in _WHOLE else (int, float)):
        raise ValueError(f"[{table}] {key} is {value!r}; give a {'whole ' if key in _WHOLE else ''}number")
    low, high = _LIMITS.get(key, (-1e9, 1e9))
    if not low <= value <= high:
        raise ValueError(f"[{table}] {key} is {value!r}; give {low} to {high}")
    return value if key in _WHOLE else float(value)


def _checked_text(table: str, key: str, value: Any) -> Any:
    if not isinstance(value, str):
        raise ValueError(f"[{table}] {key} is {value!r}; give text in quotes")
    allowed = {"mount": MOUNTS, "mosaic": MOSAICS}.get(key)
    if allowed and value not in allowed:
        raise ValueError(f"[{table}] {key} is '{value}'; {_nearest(value, allowed)}")
    return Path(value) if key == "runs" else value


def _nearest(word: str, known: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(word, known, 1, 0.5)
    return f"did you mean '{near[0]}'?" if near else f"known are {', '.join(known)}"
