"""The page of a run: complete, harmless, alone, and honest about what it does not know."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stacker.capture import CaptureError
from stacker.logbook import LoggedRun
from stacker.pipeline import process
from stacker.report.night_page import write_night_page
from stacker.report.numbers import with_error
from stacker.report.page import page
from stacker.report.pictures import tone_from
from stacker.report.reading import read_linear, read_picture
from stacker.report.run_page import write_run_page
from stacker.report.run_words import caution_of
from stacker.run_folder.place import OutputError
from stacker.simulation import Air, Detector, Scenario, write_simulation
from stacker.sky.caution import FILTER_CAUTION


class Reader(HTMLParser):
    """Every element with its attributes, and the text outside scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._inside: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self._inside:
            self._inside.remove(tag)

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.words.append(data)

    @property
    def text(self) -> str:
        """The words in order, white space reduced."""
        return " ".join(" ".join(self.words).split())


def _read(path: Path) -> Reader:
    return Reader(path.read_text(encoding="utf-8"))


def _recorded(**said: str | None) -> LoggedRun:
    return LoggedRun("1", Path(), "", "x.avi", None, None, None, None, None, None, {"capture": said})


def _change(path: Path, **values: Any) -> None:
    told = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(told | values), encoding="utf-8")


def test_the_same_folder_gives_the_same_bytes(planet_run: Path) -> None:
    first = write_run_page(planet_run).read_bytes()
    assert write_run_page(planet_run).read_bytes() == first
    assert b"<svg" in first


def test_a_hostile_name_is_shown_and_does_nothing(planet_page: Path) -> None:
    """One script, ours, allowed by its digest (Content Security Policy Level 3, W3C); no element comes from a name."""
    text = planet_page.read_text(encoding="utf-8")
    reader = Reader(text)
    assert sum(tag == "script" for tag, _ in reader.elements) == 1
    assert not any(name.startswith("on") for _, attributes in reader.elements for name in attributes)
    assert "<script>document.title='taken'</script>" in reader.text
    assert "Heron <b>" in reader.text
    assert not any(tag == "b" and "Heron" in str(attributes) for tag, attributes in reader.elements)
    policy = next(attributes["content"] for _, attributes in reader.elements if "http-equiv" in attributes)
    assert policy is not None
    assert policy.startswith("default-src 'none'")
    assert "script-src 'sha256-" in policy


def test_nothing_is_fetched_from_outside(planet_page: Path) -> None:
    """Addresses are data or files of the same folder."""
    reader = _read(planet_page)
    addresses = [a[name] for _, a in reader.elements for name in ("src", "href") if a.get(name)]
    for address in addresses:
        assert address is not None
        assert address.startswith(("data:", "#")) or (planet_page.parent / address).is_file(), address[:80]
    style = re.findall(r"url\([^)]*\)|@import", planet_page.read_text(encoding="utf-8"))
    assert [entry for entry in style if not entry.startswith("url(#")] == []


def test_every_picture_and_plot_says_what_it_shows(planet_page: Path) -> None:
    """WCAG 2.2, success criterion 1.1.1: text alternatives."""
    reader = _read(planet_page)
    pictures = [attributes for tag, attributes in reader.elements if tag == "img"]
    plots = [attributes for tag, attributes in reader.elements if tag == "svg"]
    assert len(pictures) == 3
    assert len(plots) == 5
    assert all((attributes["alt"] or "").strip() for attributes in pictures)
    assert all(attributes.get("role") == "img" and len(attributes["aria-label"] or "") > 20 for attributes in plots)


def test_text_in_plots_stays_text(planet_page: Path) -> None:
    text = planet_page.read_text(encoding="utf-8")
    assert ">seconds after the first frame</text>" in text
    assert "<metadata>" not in text


def test_identifiers_are_used_once(planet_page: Path) -> None:
    """HTML Living Standard, 3.2.6: an id must be unique in its tree."""
    names = [attributes["id"] for _, attributes in _read(planet_page).elements if "id" in attributes]
    assert len(names) == len(set(names))


def test_numbers_of_the_run_stand_on_its_page(planet_page: Path) -> None:
    metrics = json.loads((planet_page.parent / "metrics.json").read_text(encoding="utf-8"))
    text = _read(planet_page).text
    assert f"{metrics['frames_used']} of {metrics['frames_total']} frames were averaged." in text
    size = with_error(metrics["resolution_arcsec"], metrics["resolution_arcsec_error"], "″")
    assert " ".join(size.split()) in text
    with (planet_page.parent / "frames.csv").open(encoding="utf-8", newline="") as file:
        left_out = Counter(row["reason"] for row in csv.DictReader(file) if row["reason"])
    assert left_out["torn"] == left_out["duplicate"] == 1
    said = re.search(r"left out: ([^.;]*)", text)
    assert said is not None and set(said[1].split(", ")) == {f"{count} {why}" for why, count in left_out.items()}
    assert metrics["capture_sha256"] in text
    assert "5 April 2031, 21:30 UTC" in text


def test_the_call_on_the_page_is_one_that_a_shell_takes_apart_rightly(planet_page: Path) -> None:
    import shlex

    (call,) = re.findall(r"stillair process .*? --out again --settings settings\.toml", _read(planet_page).text)
    assert shlex.split(call)[2] == "planet of; 'mine'.avi"


def test_limits_and_keep_curve_are_told_where_they_are_known(spare_run: Path) -> None:
    limits = [
        {"name": "air", "share": 0.62, "share_error": 0.08, "sentence": "The air took most: <i>r0</i> was 80 mm."},
        {"name": "frames", "share": 0.2, "share_error": 0.05, "sentence": "Twice as many frames would help."},
    ]
    _change(spare_run / "metrics.json", limits=limits)
    steps = [
        {"keep_percent": k, "frames": k, "information_bits": 900 - (k - 30) ** 2 / 9, "information_bits_error": 20.0,
         "resolution_px": 3.2 + 0.01 * k, "resolution_px_error": 0.1, "snr": k**0.5} for k in (5, 10, 20, 50, 100)
    ]  # fmt: skip
    keep = {"schema_version": 1, "best_percent": 20.0, "good_range_percent": [12.0, 45.0], "steps": steps}
    (spare_run / "keep.json").write_text(json.dumps(keep), encoding="utf-8")
    text = _read(write_run_page(spare_run)).text
    assert "62 ± 8 %" in text
    assert "The air took most: <i>r0</i> was 80 mm." in text
    assert text.index("The air took most") < text.index("Twice as many frames")
    assert "Best is 20 %; from 12 to 45 %" in text


def test_the_verdict_tells_when_the_air_is_left_out(spare_run: Path) -> None:
    """Where nothing is known of the air, what is due to the other causes is no verdict on it."""
    frames = {"name": "frames", "share": 0.7, "share_error": 0.25, "sentence": "Frames: only 12."}
    air = {"name": "air", "share": None, "share_error": None, "sentence": "Air: cannot tell what it took."}
    for limits, told in (([frames, air], True), ([frames, air | {"share": 0.1}], False)):
        _change(spare_run / "metrics.json", limits=limits)
        page = write_run_page(spare_run).read_text(encoding="utf-8")
        assert ("What the air took is not known" in page) == told
        night = write_night_page(spare_run).read_text(encoding="utf-8")
        assert ("frames, air not known" in night) == told


def test_an_older_run_without_curves_has_a_page_all_the_same(spare_run: Path) -> None:
    for name in ("curves.json", "best_frame.png", "stack.fits"):
        (spare_run / name).unlink()
    reader = _read(write_run_page(spare_run))
    assert [tag for tag, _ in reader.elements].count("img") == 1
    assert "How fine the detail is" not in reader.text
    assert "How the air came and went" in reader.text


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("metrics.json", "{"),
        ("metrics.json", "[1]"),
        ("frames.csv", "a,b\n1,2\n"),
        ("metrics.json", None),
        ("settings.toml", None),
    ],
)
def test_a_broken_run_is_one_line_and_leaves_no_page(
    spare_run: Path, name: str, content: str | None, stillair: Callable[..., Any]
) -> None:
    (spare_run / name).unlink()
    if content is not None:
        (spare_run / name).write_text(content)
    with pytest.raises(CaptureError):
        write_run_page(spare_run)
    outcome = stillair("report", spare_run)
    assert outcome.status == 1
    assert len(outcome.err.splitlines()) == 1
    assert "unexpected" not in outcome.err
    assert sorted(path.name for path in spare_run.iterdir() if "report" in path.name) == []


def test_a_folder_that_takes_no_page_is_one_line(spare_run: Path) -> None:
    (spare_run / "report.html").mkdir()
    with pytest.raises(OutputError):
        write_run_page(spare_run)
    assert sorted(path.name for path in spare_run.iterdir() if "part" in path.name) == []


def test_one_bad_run_does_not_stop_the_others(planet_run: Path, tmp_path: Path, stillair: Callable[..., Any]) -> None:
    outcome = stillair("report", tmp_path / "none", planet_run, "--json")
    first, second = (json.loads(line) for line in outcome.out.splitlines())
    assert outcome.status == 1
    assert "error" in first
    assert second == {"run": str(planet_run), "page": str(planet_run / "report.html")}


@pytest.mark.parametrize(
    ("target", "when", "told"),
    [
        ("Sun", None, FILTER_CAUTION),
        ("the sun, spot group 7", None, FILTER_CAUTION),
        # Mercury before the Sun, 2019-11-11 15:20 UTC: transit, IAU Minor Planet Center circulars and every almanac.
        ("Mercury", "2019-11-11T15:20:00Z", "MERCURY STANDS ONLY 0 DEGREES"),
        # Jupiter in opposition, 2024-12-07: shared almanac knowledge, no source.
        ("Jupiter", "2024-12-07T20:50:00Z", None),
        ("Sunday moon", "2024-12-07T20:50:00Z", None),
        ("an invented planet", "2019-11-11T15:20:00Z", None),
        ("Mercury", "1492-01-01T00:00:00Z", None),
    ],
)
def test_the_sun_and_what_stands_near_it_carry_the_caution(target: str, when: str | None, told: str | None) -> None:
    found = caution_of(_recorded(target=target, start_utc=when))
    assert (found is None) if told is None else (found is not None and told in found)
    assert caution_of(_recorded(target="x", filter="solar film")) == FILTER_CAUTION


def test_a_page_of_the_sun_begins_with_the_caution(sun_run: Path) -> None:
    text = _read(write_run_page(sun_run)).text
    assert text.index("DANGER, THE SUN") < text.index("frames were averaged")
    assert "full-aperture solar filter in front of the telescope" in text


@pytest.mark.parametrize(
    ("value", "error", "told"),
    [
        (0.49732, 0.0104, "0.497 ± 0.010"),
        (0.49732, 0.0206, "0.50 ± 0.02"),
        (174.2, 3.2, "174 ± 3"),
        (12345.6, 150.0, "12346 ± 150"),
        (2.0, 0.096, "2.00 ± 0.10"),
        (3.3714, None, "3.37"),
        (120, None, "120"),
        (0.0, 0.5, "0.0 ± 0.5"),
    ],
)
def test_numbers_have_as_many_digits_as_their_error_leaves(value: float, error: float | None, told: str) -> None:
    assert with_error(value, error).replace("\u2009", " ") == told


def test_colours_of_text_stand_out_in_light_and_in_dark() -> None:
    """Contrast of at least 4.5 to 1 on both grounds (WCAG 2.2, success criterion 1.4.3, and its formula)."""
    text = page("x", head=None, body=None)
    schemes = re.findall(r":root \{(.*?)\}", text, re.DOTALL)

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(one: str, other: str) -> float:
        bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
        return (bright + 0.05) / (dark + 0.05)

    for scheme in schemes[:2]:
        colours = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})\b", scheme))
        for ground in ("paper", "raised"):
            for name in ("ink", "muted", "accent", "second", "third"):
                assert contrast(colours[name], colours[ground]) >= 4.5, (name, ground)
        assert contrast("#ffffff", colours["danger"]) >= 4.5


@pytest.mark.parametrize("colour", [False, True])
def test_the_average_is_shown_in_the_tone_of_the_finished_picture(tmp_path: Path, colour: bool) -> None:
    """The tone on record turns finished.fits into finished.png again, but for its six digits."""
    detector = Detector(colour=colour, colour_response=(0.8, 1.0, 1.2)) if colour else Detector()
    scenario = Scenario(frames=16, height_px=80, width_px=80, air=Air(psf_grid=2), detector=detector)
    capture, *_ = write_simulation(tmp_path / "x.fits", scenario, 1, "fits")
    folder = process(capture, tmp_path / "runs", workers=1).folder
    showing = json.loads((folder / "curves.json").read_text(encoding="utf-8"))["showing"]
    linear, shown = read_linear(folder / "finished.fits"), read_picture(folder / "finished.png")
    assert linear is not None
    assert shown is not None
    again = tone_from(showing).apply(linear)
    assert shown.ndim == (3 if colour else 2)
    assert np.abs(again.astype(int) - shown).max() <= 40  # 1e-5 of white, steep near black
