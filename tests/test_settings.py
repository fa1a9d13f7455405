"""Settings: checked at birth, and what is written is read back."""

from dataclasses import fields
from math import inf, nan
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.capture import CaptureError, Circumstances, Telescope
from stacker.settings import Settings, SettingsError, StackingSettings, declared
from stacker.settings_file import dump_settings, load_settings, settings_from_tables, stage_classes
from stacker.toml_text import toml_value

CHOICES = [(stage, name, item) for stage, cls in stage_classes().items() for name, _, item in declared(cls)]


@pytest.mark.parametrize(("stage", "name", "item"), CHOICES)
def test_every_setting_says_what_it_is_and_is_bounded(stage: str, name: str, item: Any) -> None:
    assert item.metadata["allowed"] and item.metadata["reason"]
    assert isinstance(item.default, bool) or item.metadata["within"] or item.metadata["options"], f"{stage}.{name}"


@pytest.mark.parametrize(("stage", "name", "item"), CHOICES)
def test_what_is_not_allowed_is_refused_by_name(stage: str, name: str, item: Any) -> None:
    within = item.metadata["within"]
    wrong: list[Any] = ["no such word", None, [1], nan, inf]
    wrong += [within[0] - 1, within[1] + 1] if within else [12345]
    for value in wrong:
        with pytest.raises(SettingsError, match=rf"\[{stage}\] {name} is .*; give "):
            settings_from_tables({stage: {name: value}})


@pytest.mark.parametrize(("stage", "name", "item"), CHOICES)
def test_what_is_allowed_is_read_back(stage: str, name: str, item: Any, tmp_path: Path) -> None:
    allowed = list(item.metadata["options"]) + list(item.metadata["within"] or ())
    for value in [*allowed, *([True, False] if isinstance(item.default, bool) else [])]:
        settings = settings_from_tables({stage: {name: value}})
        assert getattr(getattr(settings, stage), name) == value
        path = tmp_path / "settings.toml"
        path.write_text(dump_settings(settings), encoding="utf-8")
        assert load_settings(path) == (settings, None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[stacking]\nkep = 20\n", "unknown key 'kep' in [stacking]; did you mean 'keep'?"),
        ("[staking]\n", "unknown table [staking]; did you mean 'stacking'?"),
        ("[zzz]\n", "known are ranking, alignment"),
        ("stacking = 3\n", "write it as a table [stacking]"),
        ("[stacking]\nkeep = true\n", "keep is True; give auto, or"),
        ("[stacking\n", "is not valid TOML"),
        (b"\xff\xfe\x00", "is not UTF-8"),
    ],
)
def test_a_wrong_file_is_told_in_one_line(tmp_path: Path, text: str | bytes, words: str) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    assert words in str(caught.value) and str(path) in str(caught.value) and "\n" not in str(caught.value)


def test_sidecar_tables_in_a_settings_file_are_checked_too(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text("[telescope]\naperture_mm = 150\n", encoding="utf-8")
    assert load_settings(path) == (Settings(), Circumstances(telescope=Telescope(aperture_mm=150.0)))
    path.write_text("[telescope]\naperture = 150\n", encoding="utf-8")
    with pytest.raises(CaptureError, match="aperture_mm"):
        load_settings(path)


def test_whole_numbers_become_what_the_setting_is() -> None:
    keep = StackingSettings(keep=20).keep
    assert isinstance(keep, float)


def test_stages_stand_in_pipeline_order() -> None:
    assert [item.name for item in fields(Settings)] == list(stage_classes())


@given(
    st.one_of(
        st.text(st.characters(exclude_categories=["Cs"])), st.floats(allow_nan=False), st.integers(), st.booleans()
    )
)
def test_any_value_is_read_back_by_the_standard_library(value: Any) -> None:
    import tomllib

    assert tomllib.loads(f"value = {toml_value(value)}") == {"value": value}
