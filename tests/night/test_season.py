"""The simulated season in one command: right groups, bad ones told. One night and target of it, short captures."""

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any

import pytest


def _season_maker(checkout: Path) -> Any:
    spec = spec_from_file_location("make_season", checkout / "scripts" / "make_season.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules["make_season"] = module  # its records look their module up
    spec.loader.exec_module(module)
    return module


def test_one_command_finds_groups_and_tells_the_bad_ones(
    tmp_path: Path, checkout: Path, stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    maker = _season_maker(checkout)
    whole = maker.scenario
    monkeypatch.setattr(maker, "scenario", lambda *words: replace(whole(*words), frames=24, fast_bank=3))
    monkeypatch.setattr(maker, "NIGHTS", {"2031-03-17": 82.0})
    monkeypatch.setattr(maker, "RECORDED", maker.TARGETS[:1])
    maker.main(tmp_path / "season")
    truth = json.loads((tmp_path / "season" / "season_truth.json").read_text())["captures"]
    told = json.loads(stillair("night", tmp_path / "season", "--out", tmp_path / "runs", "--workers", 1, "--json").out)

    def name(capture: dict[str, Any]) -> str:
        return Path(capture["capture"]).relative_to(tmp_path / "season").as_posix()

    found = {
        name(capture): (group["target"], group["telescope"], group["night"])
        for group in told["groups"]
        for capture in group["captures"]
    }
    said = {entry["capture"]: (entry["target"], entry["telescope"], entry["night"]) for entry in truth}
    bad = {entry["bad"]: entry["capture"] for entry in truth if entry["bad"]}
    assert found == {capture: words for capture, words in said.items() if capture != bad["empty"]}
    assert [name(entry) for entry in told["bad"]] == [bad["empty"]]
    captures = {name(capture): capture for group in told["groups"] for capture in group["captures"]}
    assert {capture["outcome"] for capture in captures.values()} == {"done"}
    assert [path for path, capture in captures.items() if capture["doubtful"]] == [bad["wrong target"]]
    cut = captures[bad["cut short"]]["metrics"]
    assert cut["frames_readable"] < cut["frames_total"] == 24
    assert [path for path, capture in captures.items() if capture["notes"]] == [bad["cut short"]]
