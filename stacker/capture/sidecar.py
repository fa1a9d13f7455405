"""What the user says about a capture: its sidecar, `night.toml`, and which of them wins."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

from stacker.capture.circumstances import (
    MOSAICS,
    Camera,
    Circumstances,
    Site,
    Telescope,
    tables_from_circumstances,
)
from stacker.capture.positioned import unreadable
from stacker.capture.sequence import CaptureError
from stacker.capture.timing import text_from_utc, utc_from_text
from stacker.toml_text import toml_table

_CALIBRATION_KEYS = ("dark", "flat", "bias")
_RECORDS: dict[str, type[Any]] = {"capture": Circumstances, "telescope": Telescope, "camera": Camera, "site": Site}
_LIMITS: dict[str, tuple[float, float, str]] = {
    "exposure_s": (0, 86400, "seconds above 0"),
    "wavelength_nm": (100, 30000, "nanometres from 100 to 30000"),
    # Below these lies no telescope and no camera, but a number in metres or millimetres.
    "aperture_mm": (9.999, 1e5, "millimetres, 10 or more"),
    "focal_length_mm": (49.999, 1e7, "millimetres, 50 or more"),
    "pixel_um": (0.0999, 1000, "micrometres, 0.1 or more"),
    "gain_e_per_adu": (0, 1e6, "electrons above 0"),
    "bits": (0.5, 32, "1 to 32"),
    "temperature_c": (-273.15, 200, "degrees Celsius"),
    "obstruction_mm": (-1e-9, 1e5, "millimetres, 0 for none"),
    "latitude_deg": (-90.0001, 90, "-90 to 90 degrees"),
    "north_angle_deg": (-360.0001, 360, "-360 to 360 degrees, counter-clockwise from up"),
    "longitude_deg": (-180.0001, 360, "-180 to 360 degrees, east positive"),
    "elevation_m": (-1000, 20000, "metres above the sea"),
}

Record = TypeVar("Record")


def sidecar_path(capture: Path) -> Path:
    """Return where the sidecar of a capture (file or folder) belongs."""
    return capture.parent / ((capture.name if capture.is_dir() else capture.stem) + ".toml")


def declared_circumstances(capture: Path, overrides: Circumstances | None) -> Circumstances:
    """Return what the user declares: overrides beat the sidecar, which beats `night.toml` of the same folder.

    Raises CaptureError for a table or key that does not exist, a wrong type or an impossible value.
    """
    declared = Circumstances()
    for path in dict.fromkeys((capture.parent / "night.toml", sidecar_path(capture))):
        if path.is_file():
            declared = merge(declared, read_sidecar(path))
    return declared if overrides is None else merge(declared, overrides)


def merge(weaker: Record, stronger: Record) -> Record:
    """Return `weaker` with every field that `stronger` knows replaced, nested records field by field."""
    changes: dict[str, Any] = {}
    for item in fields(stronger):  # type: ignore[arg-type]
        value = getattr(stronger, item.name)
        if is_dataclass(value):
            changes[item.name] = merge(getattr(weaker, item.name), value)
        elif value is not None:
            changes[item.name] = value
    return replace(weaker, **changes)  # type: ignore[type-var]


def sidecar_text(circumstances: Circumstances) -> str:
    """Return circumstances as the TOML that `read_sidecar` reads back; tables that say nothing are left out."""
    return "\n".join(toml_table(name, table) for name, table in tables_from_circumstances(circumstances).items())


def read_sidecar(path: Path) -> Circumstances:
    """Read one sidecar; calibration files named in it are taken relative to its folder."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise unreadable(path, error) from error
    except UnicodeDecodeError as error:
        raise CaptureError(path, "is not UTF-8 text", "save it as UTF-8") from error
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CaptureError(path, f"is not valid TOML ({error})", "mend that line") from error
    return circumstances_from_tables(tables, path)


def circumstances_from_tables(tables: Mapping[str, Any], source: Path) -> Circumstances:
    """Check the tables of a sidecar and return them as records; `source` is named in errors."""
    records: dict[str, dict[str, Any]] = {name: {} for name in _RECORDS}
    for table, entries in tables.items():
        if table not in _RECORDS:
            raise _unknown(source, f"table [{table}]", table, _RECORDS)
        if not isinstance(entries, dict):
            raise CaptureError(source, f"'{table}' is a value", f"write it as a table [{table}] with keys below it")
        kinds = _kinds(_RECORDS[table])
        for key, value in entries.items():
            if key not in kinds:
                _check_table(source, table, key)
                raise _unknown(source, f"key '{key}' in [{table}]", key, kinds)
            records[table][key] = _checked(source, f"[{table}] {key}", key, value, kinds[key])
    for key in _CALIBRATION_KEYS:
        if records["capture"].get(key, "none") != "none":
            records["capture"][key] = str(source.parent / records["capture"][key])
    return Circumstances(
        **records["capture"],
        telescope=Telescope(**records["telescope"]),
        camera=Camera(**records["camera"]),
        site=Site(**records["site"]),
    )


def _kinds(record: type[Any]) -> dict[str, type[Any]]:
    """Return the plain type of each key of a record: str, bool, float or int."""
    hints = get_type_hints(record)
    return {
        name: next(kind for kind in (str, bool, float, int) if kind in hint.__args__)
        for name, hint in hints.items()
        if not is_dataclass(hint)
    }


def _check_table(source: Path, table: str, key: str) -> None:
    """Raise the clearer error where `key` exists, but in another table."""
    for home, record in _RECORDS.items():
        if key in _kinds(record) and key != "name":
            raise CaptureError(source, f"unknown key '{key}' in [{table}]", f"it belongs in [{home}]")


def _unknown(source: Path, what: str, word: str, known: Iterable[str]) -> CaptureError:
    names = list(known)
    near = [name for name in names if name.startswith(word)] or difflib.get_close_matches(word, names, 1, 0.4)
    advice = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(names)}"
    return CaptureError(source, f"unknown {what}", advice)


def _checked(source: Path, where: str, key: str, value: Any, kind: type[Any]) -> Any:
    if key == "start_utc":
        return _checked_time(source, where, value)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if type(value) is not kind:
        words = {str: "text in quotes", bool: "true or false", float: "a number", int: "a whole number"}[kind]
        raise CaptureError(source, f"{where} is {value!r}", f"give {words}")
    if key == "mosaic" and value not in MOSAICS:
        near = difflib.get_close_matches(value.upper(), MOSAICS, n=1, cutoff=0.4)
        hint = f"did you mean '{near[0]}'?" if near else f"give one of {', '.join(MOSAICS)}"
        raise CaptureError(source, f"{where} is {value!r}", hint)
    if key in _LIMITS:
        low, high, words = _LIMITS[key]
        if not low < value <= high:
            raise CaptureError(source, f"{where} is {value!r}", f"give {words}")
    return value


def _checked_time(source: Path, where: str, value: Any) -> str:
    if isinstance(value, datetime):
        value = value.isoformat()
    moment = utc_from_text(value) if isinstance(value, str) else None
    if moment is None:
        raise CaptureError(source, f"{where} is {value!r}", "give UTC as 2031-04-05T21:30:00Z")
    return text_from_utc(moment)
