"""Several captures of one target through the commands: filters become colour, exposures one range of brightness."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from math import hypot
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from astropy.io import fits
from scipy.ndimage import binary_dilation, gaussian_filter

Call = Callable[..., Any]
ROWS, COLUMNS = np.mgrid[:72, :112].astype(float)
TINTS = {"R": 1.0, "G": 0.8, "B": 0.5, "L": 1.5, "IR": 0.7}


def scene(contrast: float, middle: tuple[float, float]) -> np.ndarray:
    y, x = ROWS - middle[0], COLUMNS - middle[1]
    light = np.clip(20 - np.hypot(y, x) + 0.5, 0, 1) * (1 + contrast * np.sin(y / 2.5 + np.sin(x / 4)))
    for away in (-38, 40):
        light = light + 0.012 * np.exp(-((y - 3) ** 2 + (x - away) ** 2) / 3)
    return np.asarray(gaussian_filter(light, 1.2))


def write(
    path: Path, level: float, middle: tuple[float, float], sidecar: str, contrast: float = 0.15, seed: int = 1
) -> Path:
    rng = np.random.default_rng(seed)
    frames = []
    for _ in range(10):
        jitter = rng.normal(0, 0.4, 2)
        light = level * scene(contrast, (middle[0] + jitter[0], middle[1] + jitter[1]))
        frames.append(np.clip(rng.poisson(4 * light) / 4 + rng.normal(20, 2, light.shape), 0, 4095))
    fits.PrimaryHDU(np.rint(frames).astype(np.uint16)).writeto(path)
    path.with_suffix(".toml").write_text(sidecar)
    return path


def above_sky(image: np.ndarray, where: np.ndarray, seen: np.ndarray | None = None) -> tuple[float, float]:
    """Return the light above the sky, and what the noise of that sky costs: 1.25 sigma / sqrt(n) a pixel,

    twice that since resampled noise is alike over neighbours. The sky is what was `seen` off the target, else the
    upper rows.
    """
    sky = image[1:7, 5:-5] if seen is None else image[seen & ~where]
    error = 2.5 * sky.std() / np.sqrt(sky.size) * where.sum()
    return float((image - np.median(sky))[where].sum()), float(error)


@pytest.fixture(scope="session")
def through_filters(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A planet through five filters, a minute apart, each a few pixels elsewhere."""
    folder = tmp_path_factory.mktemp("filters")
    for number, (name, tint) in enumerate(TINTS.items()):
        told = f'[capture]\ntarget = "model planet"\nfilter = "{name}"\nstart_utc = "2031-04-05T21:3{number}:00Z"\n'
        told += "[camera]\nbits = 12\npixel_um = 3.0\n[telescope]\nfocal_length_mm = 3000\n"
        write(folder / f"jup_{name}.fits", 1500 * tint, (36 + 2.3 * number, 56 - 1.4 * number), told, seed=number)
    return folder


@pytest.fixture(scope="session")
def lrgb(through_filters: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run folders of those captures, and the pictures made of them."""
    from stacker.cli import main

    out = tmp_path_factory.mktemp("runs")
    words = ["colours", *map(str, sorted(through_filters.glob("*.fits"))), "--out", str(out), "--workers", "1"]
    assert main([*words, "--jpeg"]) == 0
    return out


def test_a_set_becomes_a_picture_with_named_planes(lrgb: Path) -> None:
    """Planes are read back by astropy: R, G, B, every other filter an extension of its name, all on one place."""
    folder = lrgb / "jup_LRGB"
    names = {entry.name for entry in folder.iterdir()}
    assert names == {
        "stack.fits",
        "stack.tif",
        "finished.fits",
        "finished.png",
        "finished.jpg",
        "metrics.json",
        "settings.toml",
    }
    with fits.open(folder / "stack.fits", checksum=True) as units:
        units.verify("exception")
        assert [units[0].header[f"CHANNEL{n}"] for n in (1, 2, 3)] == ["R", "G", "B"]
        assert [unit.name for unit in units[1:]] == ["VARIANCE", "COVERAGE", "L", "IR"]
        planes = {**dict(zip("RGB", units[0].data, strict=True)), **{n: units[n].data for n in ("L", "IR")}}
    middles = []
    for plane in planes.values():
        light = plane.astype(float) - np.median(plane)
        light[light < 0.3 * light.max()] = 0
        middles.append([(light * axis).sum() / light.sum() for axis in (ROWS, COLUMNS)])
    assert np.ptp(middles, axis=0).max() < 0.15


def test_light_of_every_filter_is_kept(lrgb: Path) -> None:
    """What a plane holds above its sky is what its own stack held, to 1e-4 and the noise of the sky."""
    with fits.open(lrgb / "jup_LRGB" / "stack.fits") as units:
        joined = dict(zip("RGB", units[0].data.astype(float), strict=True))
        covered = dict(zip("RGB", units["COVERAGE"].data, strict=True))
    for name, plane in joined.items():
        with fits.open(lrgb / f"jup_{name}" / "stack.fits") as units:
            alone, behind = units[0].data.astype(float), units["COVERAGE"].data
        light = []
        for image, coverage in ((plane, covered[name]), (alone, behind)):
            disc = image > np.median(image[:6]) + 0.1 * np.ptp(image)
            # Where a plane saw nothing there is a stand-in for the sky, which is not measured.
            seen = coverage > 0.99 * coverage.max()
            light.append(above_sky(image, binary_dilation(disc, iterations=8), seen))
        assert light[0][0] == pytest.approx(light[1][0], abs=1e-4 * light[1][0] + 3 * hypot(light[0][1], light[1][1]))


def test_the_picture_tells_its_parts_and_the_time_between(lrgb: Path) -> None:
    """Roles, and the seconds between the middles of the captures."""
    metrics = json.loads((lrgb / "jup_LRGB" / "metrics.json").read_text())
    roles = {part["filter"]: part["role"] for part in metrics["parts"]}
    assert roles == {"R": "R", "G": "G", "B": "B", "L": "luminance", "IR": "extension"}
    times = {part["filter"]: part["seconds_after_first"] for part in metrics["parts"]}
    assert [times[name] for name in TINTS] == pytest.approx([60 * k for k in range(5)], abs=1)
    assert "180 s lie between" in metrics["notes"]["remarks"]
    shown = cv2.imread(str(lrgb / "jup_LRGB" / "finished.png"), cv2.IMREAD_UNCHANGED)
    assert shown.shape == (72, 112, 3) and shown.dtype == np.uint16


def test_runs_that_are_there_are_not_made_again(lrgb: Path, stillair: Call) -> None:
    """Other channels from the same runs: infrared as red, and infrared as luminance."""
    before = {entry: entry.stat().st_mtime_ns for entry in lrgb.glob("jup_*/stack.tif") if "RGB" not in str(entry)}
    runs = [lrgb / f"jup_{name}" for name in ("IR", "G", "B")]
    done = stillair("colours", *runs, "--out", lrgb, "--json")
    assert done.status == 0, done.err
    told = json.loads(done.out)
    assert Path(told["folder"]).name == "jup_IRGB"
    assert {part["filter"]: part["role"] for part in told["metrics"]["parts"]} == {"IR": "R", "G": "G", "B": "B"}
    runs += [lrgb / "jup_R"]
    done = stillair("colours", *runs, "--out", lrgb, "--luminance", "IR", "--channels", "R,G,B")
    assert done.status == 0 and "IR as luminance" in done.out
    two = stillair("colours", lrgb / "jup_IR", lrgb / "jup_B", "--out", lrgb)
    assert "IR as R+G" in two.out and "B as G+B" in two.out
    assert before == {entry: entry.stat().st_mtime_ns for entry in before}


def test_a_pattern_may_name_the_picture_that_was_made(lrgb: Path, stillair: Call) -> None:
    """Called again with all run folders, as the help shows it: what was joined is passed over, and told."""
    done = stillair("colours", lrgb / "jup_*", "--out", lrgb)
    assert done.status == 0 and "jup_LRGB: " in done.out
    assert "passed over, joined already: " in done.err and "jup_LRGB" in done.err


def test_exposures_through_several_filters_are_told(lrgb: Path, tmp_path: Path, stillair: Call) -> None:
    done = stillair("exposures", lrgb / "jup_R", lrgb / "jup_G", "--out", tmp_path)
    assert done.status == 0 and "the filters differ" in done.out and "stillair colours" in done.out


def test_a_joined_picture_stands_on_the_page_of_its_folder(lrgb: Path, tmp_path: Path, stillair: Call) -> None:
    shutil.copytree(lrgb / "jup_LRGB", tmp_path / "runs" / "jup_LRGB")
    done = stillair("report", tmp_path / "runs")
    assert done.status == 0, done.err
    page = (tmp_path / "runs" / "report.html").read_text(encoding="utf-8")
    assert "jup_LRGB" in page and "joined from 5 captures" in page and "no resolution" not in page


def test_what_makes_no_set_is_said_in_one_line(lrgb: Path, tmp_path: Path, stillair: Call) -> None:
    two = lrgb / "jup_R", lrgb / "jup_G"
    for words, complaint, status in (
        ([lrgb / "jup_R"], "R makes only one colour", 1),
        ([*two, "--channels", "R,G,Ha"], "none of the captures is through the filter 'Ha'; choose among R, G", 2),
        ([*two, "--channels", "R,G"], "--channels is 'R,G'; name three", 2),
        ([lrgb / "jup_LRGB"], "joined from several captures already", 1),
        ([tmp_path / "not_there.fits"], "not_there", 1),
    ):
        done = stillair("colours", *words, "--out", tmp_path / "out")
        assert done.status == status
        assert complaint in done.err
        assert "Traceback" not in done.err
    assert not [entry for entry in (tmp_path / "out").glob("*") if "RGB" in entry.name]


def test_what_makes_no_picture_is_said_before_any_capture_is_processed(
    through_filters: Path, tmp_path: Path, stillair: Call
) -> None:
    red, green = through_filters / "jup_R.fits", through_filters / "jup_G.fits"
    plain = write(tmp_path / "jup.fits", 1500, (36, 56), "[camera]\nbits = 12\n")
    elsewhere = write(tmp_path / "mars.fits", 1500, (36, 56), '[capture]\ntarget = "Mars"\n[camera]\nbits = 12\n')
    mosaic = write(tmp_path / "jup_IR.fits", 1500, (36, 56), '[camera]\nbits = 12\nmosaic = "RGGB"\n')
    for command, words, complaint in (
        ("colours", [red, green, plain], "jup.fits: has no filter"),
        ("colours", [red, green, mosaic], "jup_IR.fits: is in colour already"),
        ("colours", [red], "only one colour"),
        ("colours", [red, through_filters / "jup_L.fits"], "only one colour"),
        ("colours", [red, green, "--channels", "R,G"], "name three"),
        ("colours", [red, green, "--luminance", "IR"], "through the filter 'IR'"),
        ("exposures", [red], "is the only exposure"),
        ("exposures", [red, elsewhere], "shows Mars, jup_R.fits shows model planet"),
    ):
        done = stillair(command, *words, "--out", tmp_path / "out")
        assert done.status == (2 if any(str(word).startswith("--") for word in words) else 1)
        assert complaint in done.err and done.err.count("\n") == 1 and not done.out
    assert not (tmp_path / "out").exists()


def test_a_filter_that_comes_again_begins_the_next_set(through_filters: Path, tmp_path: Path, stillair: Call) -> None:
    for number in (1, 2):
        for name in ("R", "B"):
            told = f'[capture]\nstart_utc = "2031-04-05T2{number}:00:0{"RB".index(name)}Z"\n[camera]\nbits = 12\n'
            write(tmp_path / f"spot {number} {name}.fits", 1000, (36, 56), told, seed=number)
    done = stillair("colours", tmp_path / "*.fits", "--out", tmp_path / "out", "--workers", 1)
    assert done.status == 0, done.err
    assert sorted(entry.name for entry in (tmp_path / "out").glob("*_R*B")) == ["spot 1_RmB", "spot 2_RmB"]


def test_how_far_a_planet_turned_is_told(lrgb: Path) -> None:
    """Jupiter turns once in 9.925 hours (textbook): 3 minutes move the middle of a disc of 44" by 0.7", 4 px."""
    from dataclasses import replace

    from stacker.joining import read_part
    from stacker.joining.turning import turned_remark

    parts = [read_part(lrgb / f"jup_{name}") for name in ("R", "L")]
    jupiter = [replace(part, circumstances=replace(part.circumstances, target="Jupiter")) for part in parts]
    words = turned_remark(jupiter, 0.17)
    assert float(words.split("moved by ")[1].split(" px")[0]) == pytest.approx(4.0, abs=0.5)
    assert "moved" not in turned_remark(parts, 0.17)
    assert "not known" in turned_remark([replace(part, middle_utc=None) for part in parts], 0.17)


@pytest.fixture(scope="session")
def two_exposures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A planet with two faint moons: 5 ms, and 100 ms in which the planet is clipped."""
    folder = tmp_path_factory.mktemp("exposures")
    for name, exposure_s, middle in (("short", 0.005, (36.0, 56.0)), ("long", 0.1, (33.4, 58.8))):
        told = f'[capture]\ntarget = "model"\nexposure_s = {exposure_s}\n[camera]\nbits = 12\n'
        write(folder / f"moons_{name}.fits", 2000 * exposure_s / 0.005, middle, told)
    return folder


def test_bright_and_faint_in_one_picture(two_exposures: Path, tmp_path: Path, stillair: Call) -> None:
    """The light is the short exposure's to 1e-4 and the sky's noise; the sky is much less noisy; the ratio is 20."""
    captures = sorted(two_exposures.glob("*.fits"))
    done = stillair("exposures", *captures, "--out", tmp_path, "--target", "disc", "--workers", 1)
    assert done.status == 0, done.err
    folder = tmp_path / "moons_2_exposures"
    joined, short = (fits.getdata(path / "stack.fits").astype(float) for path in (folder, tmp_path / "moons_short"))
    light = [above_sky(image, np.ones(image.shape, bool)) for image in (joined, short)]
    assert light[0][0] == pytest.approx(light[1][0], abs=1e-4 * light[1][0] + 3 * hypot(light[0][1], light[1][1]))
    assert joined[3:9, 10:100].std() < short[3:9, 10:100].std() / 4
    part = json.loads((folder / "metrics.json").read_text())["parts"][1]
    assert float(part["role"].split()[0]) == pytest.approx(20, rel=0.05)
    stated = fits.getdata(folder / "stack.fits", "VARIANCE")[3:9, 10:100].mean()
    assert joined[3:9, 10:100].std() == pytest.approx(np.sqrt(stated), rel=0.4)


def test_one_exposure_is_no_set(two_exposures: Path, tmp_path: Path, stillair: Call) -> None:
    done = stillair("exposures", two_exposures / "moons_short.fits", "--out", tmp_path, "--workers", 1)
    assert done.status == 1 and "only exposure" in done.err
