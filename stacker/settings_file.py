"""settings.toml: what a run was told, written so that reading it repeats the run."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import Field, asdict, fields, replace
from pathlib import Path
from typing import Any, get_type_hints

from stacker.capture.circumstances import Circumstances
from stacker.settings import Settings, SettingsError, StageSettings, declared
from stacker.toml_text import toml_table, toml_value
from stacker.version import __version__

CIRCUMSTANCE_TABLES = ("capture", "telescope", "camera", "site")


def load_settings(path: Path | str) -> tuple[Settings, Circumstances | None]:
    """Read a settings file: the settings, and the circumstances in its sidecar tables (None where it has none).

    What the file leaves out keeps its default. Raises SettingsError, one line, for a file that cannot be read, an
    unknown table or key (naming the nearest known one) and a value outside what is allowed; CaptureError for a
    circumstance that is impossible.
    """
    path = Path(path)
    tables = _read(path)
    try:
        settings = settings_from_tables({key: table for key, table in tables.items() if key not in CIRCUMSTANCE_TABLES})
    except SettingsError as error:
        raise SettingsError(f"{path}: {error}") from error
    said = {key: table for key, table in tables.items() if key in CIRCUMSTANCE_TABLES}
    if not said:
        return settings, None
    from stacker.capture.sidecar import circumstances_from_tables

    return settings, circumstances_from_tables(said, path)


def settings_from_tables(tables: Mapping[str, Any]) -> Settings:
    """Return the settings that a mapping of stages to mappings of choices describes.

    Raises SettingsError for an unknown stage or choice, and for a value outside what is allowed.
    """
    stages = stage_classes()
    chosen: dict[str, StageSettings] = {}
    for name, entries in tables.items():
        if name not in stages:
            raise _unknown(f"table [{name}]", name, (*stages, *CIRCUMSTANCE_TABLES))
        if not isinstance(entries, Mapping):
            raise SettingsError(f"'{name}' is a value; write it as a table [{name}] with keys below it")
        known = [item.name for item in fields(stages[name])]  # type: ignore[arg-type]
        for key in entries:
            if key not in known:
                raise _unknown(f"key '{key}' in [{name}]", key, known)
        try:
            chosen[name] = stages[name](**entries)
        except SettingsError as error:
            raise SettingsError(f"[{name}] {error}") from error
    return Settings(**chosen)  # type: ignore[arg-type]


def dump_settings(settings: Settings, overrides: Circumstances | None = None) -> str:
    """Return `settings` as TOML, each under a comment with its unit, what is allowed and the reason for its default.

    `overrides` are the circumstances that the caller declared above sidecar and header: they belong to the run too.
    """
    head = f"# stillair {__version__}: every setting of this run. `--settings` with this file repeats it.\n"
    tables = [_stage_table(name, getattr(settings, name)) for name in stage_classes()]
    return "\n".join([head, *tables, *_circumstance_tables(overrides)])


def stage_classes() -> dict[str, type[StageSettings]]:
    """Return the record of each stage by the name of its table, in pipeline order."""
    return get_type_hints(Settings)


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror or error}); check the name") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: is not UTF-8 text; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: is not valid TOML ({error}); mend that line") from error


def _unknown(what: str, word: str, known: Iterable[str]) -> SettingsError:
    names = list(known)
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.4)
    return SettingsError(
        f"unknown {what}; " + (f"did you mean '{near[0]}'?" if near else f"known are {', '.join(names)}")
    )


def _stage_table(name: str, stage: StageSettings) -> str:
    comments = {key: explanation(item) for key, _, item in declared(type(stage))}
    return toml_table(name, asdict(stage), comments)  # type: ignore[call-overload]


def explanation(item: Field[Any]) -> str:
    """Return what a user should know of one choice: unit, allowed values, reason for the default."""
    unit = f"{item.metadata['unit']}: " if item.metadata["unit"] else ""
    default: Any = item.default
    return f"{unit}{item.metadata['allowed']}. Default {toml_value(default)}: {item.metadata['reason']}."


def _circumstance_tables(overrides: Circumstances | None) -> list[str]:
    if overrides is None:
        return []
    from stacker.capture.sidecar import sidecar_text

    # Calibration files are named from where the user stood; the run folder is elsewhere.
    dark, flat, bias = (_absolute(file) for file in (overrides.dark, overrides.flat, overrides.bias))
    text = sidecar_text(replace(overrides, dark=dark, flat=flat, bias=bias))
    return [text] if text else []


def _absolute(file: str | None) -> str | None:
    return file if file is None or file == "none" else str(Path(file).absolute())
