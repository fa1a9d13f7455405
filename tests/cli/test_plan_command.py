"""`stillair plan`: table, JSON and plot of a night, cautions every time, one line for what is wrong."""

import builtins
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

PLAN = """
[site]
name = "Old Beacon"
latitude_deg = 52.2
longitude_deg = 13.1
elevation_m = 80

[night]
date = 2026-11-25

[[telescope]]
name = "small refractor"
aperture_mm = 80
focal_length_mm = 600
solar_filter = true

[[telescope]]
name = "great mirror"
aperture_mm = 406
focal_length_mm = 1826
mount = "altazimuth"

[[camera]]
name = "planetary"
pixel_um = 2.9
width_px = 640
height_px = 480
mosaic = "RGGB"
"""


@pytest.fixture
def garden(tmp_path: Path) -> Path:
    """Write a plan's file."""
    path = tmp_path / "garden.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def test_the_table_tells_every_target_and_pair(garden: Path, stillair: Callable[..., Any]) -> None:
    """Nine targets, each with a plain verdict; telescopes with their figures; cautions for the Sun and Mercury."""
    outcome = stillair("plan", garden)
    assert outcome.status == 0
    for name in ("SUN", "MOON", "MERCURY", "VENUS", "MARS", "JUPITER", "SATURN", "URANUS", "NEPTUNE"):
        assert f"{name}  " in outcome.out
    assert outcome.out.count("orth it:") == 9
    for words in ("great mirror", "less than it could", "leave the Sun alone", "best", "valid for 1972 to 2100"):
        assert words in outcome.out
    assert outcome.out.count("DANGER") == 2


def test_what_no_telescope_shows_has_no_table(garden: Path, stillair: Callable[..., Any]) -> None:
    """Only the verdict: above all, no hours and no exposure for a Sun without a filter; with one, whose day it is."""
    night = ("--night", "2031-04-05", "--target")
    text = garden.read_text(encoding="utf-8")
    with_filter = stillair("plan", garden, *night, "Sun").out
    assert "on that day" in with_filter and "on the next day" in with_filter and "arcmin" in with_filter
    garden.write_text(text.replace("solar_filter = true", ""), encoding="utf-8")
    without = stillair("plan", garden, *night, "Sun", "Mars").out
    assert "leave the Sun alone" in without and "Not worth it: little more than a coloured point" in without
    assert "ms" not in without.split("elements:")[0] and "best" not in without.split("elements:")[0]


def test_every_line_fits_and_telescopes_that_differ_are_told_apart(garden: Path, stillair: Callable[..., Any]) -> None:
    """Nothing is wider than 120 columns, the caution as wide as a terminal; a focal ratio goes with each Barlow."""
    out = stillair("plan", garden, "--night", "2031-04-05", "--target", "Sun", "Saturn").out
    assert max(map(len, out.splitlines())) <= 120
    assert all(len(line) <= 80 for line in out.splitlines() if line.startswith("!!"))
    row = next(line for line in out.split("SATURN")[1].splitlines() if "great mirror" in line and " ms " in line)
    barlow, ratio = (word for word in row.split() if "/" in word)
    first, second = (float(part) for part in ratio.split("/"))
    assert first / second == pytest.approx(float(barlow.split("/")[0][1:]) / float(barlow.split("/")[1][1:]), rel=0.15)


def test_lines_of_one_colour_differ_in_their_dashes(garden: Path, tmp_path: Path, stillair: Callable[..., Any]) -> None:
    """Sun, Mercury and Neptune near it are red, and only a target that is worth it has its best hours drawn thick."""
    garden.write_text(PLAN.replace("solar_filter = true", ""), encoding="utf-8")
    path = tmp_path / "night.svg"
    assert stillair("plan", garden, "--night", "2031-04-05", "--plot", path).status == 0
    svg = path.read_text(encoding="utf-8")
    lines = re.findall(r"style=\"fill: none; (?:stroke-dasharray: ([^;]*); )?[^\"]*stroke: #c00000; ([^\"]*)", svg)
    assert len({dashes for dashes, _ in lines}) == 3
    assert not any("stroke-width: 4.5" in rest for _, rest in lines)


def test_json_holds_the_same(garden: Path, stillair: Callable[..., Any]) -> None:
    """Every pair with its numbers; the caution in the record and on standard error."""
    outcome = stillair("plan", garden, "--json", "--seeing-arcsec", 1.5)
    told = json.loads(outcome.out)
    assert told["night"] == "2026-11-25" and told["seeing_arcsec"] == 1.5 and told["seeing_from"] == "given"
    targets = {entry["target"]: entry for entry in told["targets"]}
    assert targets["Sun"]["caution"] and targets["Mercury"]["caution"] and not targets["Jupiter"]["caution"]
    assert outcome.err.count("DANGER") == 2
    pair = targets["Jupiter"]["pairs"][0]
    assert pair["elements_by_diffraction"] > pair["elements_in_usual_air"] > 10
    assert pair["worth"] == "yes" and pair["barlow_factor"] > 1 and pair["longest_capture_s"] > 60
    assert targets["Jupiter"]["best"]["start_utc"].endswith("Z")
    assert targets["Mercury"]["pairs"] == [] and targets["Mercury"]["best"] is None


def test_one_target_and_another_night(garden: Path, stillair: Callable[..., Any]) -> None:
    """The options beat the file."""
    told = json.loads(stillair("plan", garden, "--night", "2027-02-10", "--target", "moon", "Jupiter", "--json").out)
    assert told["night"] == "2027-02-10"
    assert [entry["target"] for entry in told["targets"]] == ["Moon", "Jupiter"]


def test_the_plot_is_drawn_the_same_each_time(garden: Path, tmp_path: Path, stillair: Callable[..., Any]) -> None:
    """PNG and SVG, byte for byte, with the caution in red in the picture, and nothing else left behind."""
    for ending, begins in ((".png", b"\x89PNG"), (".svg", b"<?xml")):
        one, other = tmp_path / f"one{ending}", tmp_path / f"other{ending}"
        for path in (one, other):
            assert stillair("plan", garden, "--target", "Sun", "Jupiter", "--plot", path).status == 0
        assert one.read_bytes().startswith(begins)
        assert one.read_bytes() == other.read_bytes()
    svg = (tmp_path / "one.svg").read_text(encoding="utf-8")
    assert "#c00000" in svg and "DANGER" in svg
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".png", ".png", ".svg", ".svg", ".toml"]


def test_without_matplotlib_it_says_what_to_install(
    garden: Path, tmp_path: Path, stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line, before anything is computed or written."""
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    outcome = stillair("plan", garden, "--plot", tmp_path / "night.png")
    assert outcome.status == 2 and outcome.out == ""
    assert "stillair[plot]" in outcome.err and outcome.err.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--night", "tomorrow"), "date of its evening"),
        (("--night", "1960-01-01"), "from 1972 to 2100"),
        (("--target", "Pluto"), "unknown target"),
        (("--seeing-arcsec", "0"), "--seeing-arcsec"),
        (("--runs", "no-such-folder"), "no folder"),
        (("--plot", "night.jpg"), ".png or .svg"),
    ],
)
def test_a_wrong_call_is_one_line(
    words: tuple[str, ...], told: str, garden: Path, stillair: Callable[..., Any]
) -> None:
    """Status 2, one line."""
    outcome = stillair("plan", garden, *words)
    assert outcome.status == 2 and outcome.out == ""
    assert told in outcome.err and outcome.err.count("\n") == 1


def test_a_disk_that_refuses_is_told(garden: Path, tmp_path: Path, stillair: Callable[..., Any]) -> None:
    """A plot into a folder that is not there: status 1, one line naming it."""
    outcome = stillair("plan", garden, "--target", "Moon", "--plot", tmp_path / "absent" / "night.png")
    assert outcome.status == 1
    assert "night.png" in outcome.err and outcome.err.count("\n") == 1
