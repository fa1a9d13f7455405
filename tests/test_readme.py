"""README.md names everything that a user can call, set or read, and nothing that is not there."""

import argparse
import re
import shutil
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import pytest

from stacker.capture import Circumstances
from stacker.cli import build_parser
from stacker.cli.circumstance_options import OPTIONS
from stacker.run_folder.frame_table import COLUMNS
from stacker.run_folder.metrics_file import METRIC_KEYS, PROVENANCE_KEYS
from stacker.run_folder.place import RUN_FILES
from stacker.settings import declared
from stacker.settings_file import explanation, stage_classes
from stacker.toml_text import toml_value


def _readme() -> str:
    return (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def _code() -> set[str]:
    """Return every word that stands as code in the README."""
    prose = re.sub(r"```.*?```", "", _readme(), flags=re.DOTALL)
    return set(re.findall(r"[\w.-]+", " ".join(re.findall(r"`([^`\n]+)`", prose))))


def _commands() -> Iterator[tuple[str, argparse.ArgumentParser]]:
    for action in build_parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            yield from action.choices.items()


def _options(parser: argparse.ArgumentParser) -> set[str]:
    return {flag for action in parser._actions for flag in action.option_strings if flag.startswith("--")}


SIDECAR_KEYS = [
    *(item.name for item in fields(Circumstances) if item.name not in ("telescope", "camera", "site")),
    *(
        item.name
        for record in (getattr(Circumstances(), name) for name in ("telescope", "camera", "site"))
        for item in fields(record)
    ),
]


@pytest.mark.parametrize(("name", "parser"), list(_commands()))
def test_every_command_and_option_is_there(name: str, parser: argparse.ArgumentParser) -> None:
    assert f"stillair {name}" in _readme()
    assert _options(parser) - _code() == set()


def test_no_option_is_there_that_does_not_exist() -> None:
    known = _options(build_parser()).union(*(_options(parser) for _, parser in _commands()))
    ours = re.sub(r"^dask .*$", "", _readme(), flags=re.MULTILINE)  # another program's calls
    assert set(re.findall(r"--[a-z][\w-]+", ours)) - known == set()


@pytest.mark.parametrize("stage", list(stage_classes()))
def test_every_setting_is_there_with_its_range_and_reason(stage: str) -> None:
    """The table of settings is the settings themselves; the failure shows the row as it should be."""
    for name, _, item in declared(stage_classes()[stage]):
        unit, allowed, reason = (item.metadata[key].replace("|", "\\|") for key in ("unit", "allowed", "reason"))
        default = toml_value(item.default).strip('"')
        assert f"| `[{stage}]` | `{name}` | {unit} | {allowed} | `{default}` | {reason} |" in _readme(), explanation(
            item
        )


@pytest.mark.parametrize("words", [SIDECAR_KEYS, COLUMNS, METRIC_KEYS, PROVENANCE_KEYS, RUN_FILES])
def test_every_key_column_and_file_is_there(words: list[str]) -> None:
    assert set(words) - _code() == set()


def test_every_sidecar_key_in_use_has_its_option() -> None:
    """Calibration files are on record only, so the command line has no option for them."""
    assert all(is_dataclass(getattr(Circumstances(), table)) for _, table, *_ in OPTIONS if table != "capture")
    assert {key for _, _, key, *_ in OPTIONS} == set(SIDECAR_KEYS)


def test_the_python_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, checkout: Path) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(checkout / "demo_frames", "demo_frames")
    (block,) = re.findall(r"```python\n(.*?)```", _readme(), flags=re.DOTALL)
    names: dict[str, Any] = {}
    exec(compile(block, "README.md", "exec"), names)
    assert sorted(entry.name for entry in names["run"].folder.iterdir()) == sorted(RUN_FILES)
    assert names["finished"].image.shape == names["linear"].image.shape
    assert 18 <= names["metrics"]["keep_percent"] <= 22


def test_the_two_commands_and_the_solar_caution_come_first() -> None:
    """Full-aperture filter in front, finders capped, nothing at the eyepiece end: common practice, no source."""
    before_use = _readme().split("## Your own captures")[0]
    for words in ("bash scripts/demo", "bash scripts/test", "full-aperture", "in front of", "finder", "eyepiece"):
        assert words in before_use
