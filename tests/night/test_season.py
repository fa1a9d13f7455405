"""The simulated season in one command: right groups, bad ones told, telescopes ranked as they are. One target of it,
short captures."""

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


def _recorded(
    checkout: Path, season: Path, monkeypatch: pytest.MonkeyPatch, nights: dict[str, float], frames: int
) -> Any:
    """Record these nights of the season, and return their truth."""
    maker = _season_maker(checkout)
    whole = maker.scenario
    monkeypatch.setattr(maker, "scenario", lambda *words: replace(whole(*words), frames=frames, fast_bank=3))
    monkeypatch.setattr(maker, "NIGHTS", nights)
    monkeypatch.setattr(maker, "RECORDED", maker.TARGETS[:1])
    maker.main(season)
    return json.loads((season / "season_truth.json").read_text())


def test_one_command_finds_groups_and_tells_the_bad_ones(
    tmp_path: Path, checkout: Path, stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = _recorded(checkout, tmp_path / "season", monkeypatch, {"2031-03-17": 82.0}, frames=24)["captures"]
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


def test_its_telescopes_are_ranked_as_they_are_and_twins_are_told_apart_by_nothing(
    tmp_path: Path, checkout: Path, stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = _recorded(checkout, tmp_path / "season", monkeypatch, {"2031-03-02": 70.0, "2031-03-17": 82.0}, frames=40)
    stillair("night", tmp_path / "season", "--out", tmp_path / "runs", "--workers", 2)
    told = json.loads(stillair("compare", "--by", "telescope", "--target", "Ambrel", "--json").out)
    best, alike = truth["order"][0], set(truth["alike"])
    figures = {row["figure"]: row for row in told["figures"]}
    assert figures["resolution_arcsec"]["order"][0] == best
    verdicts = {
        (name, *sorted((found["one"], found["other"]))): found["verdict"]
        for name, row in figures.items()
        for found in row["differences"]
    }
    for twin in alike:
        assert verdicts["resolution_arcsec", *sorted((twin, best))] in ("better", "worse")
    assert {verdict for (_, *pair), verdict in verdicts.items() if set(pair) == alike} <= {
        "no difference",
        "cannot tell",
    }
    assert verdicts["resolution_arcsec", *sorted(alike)] == "no difference"
