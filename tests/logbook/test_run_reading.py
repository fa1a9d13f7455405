"""A run folder is read whole: what was recorded, how it was processed, what was measured, how high it stood."""

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from stacker.capture import CaptureError, Circumstances, Site, Telescope
from stacker.logbook import Logbook, LoggedRun, Measured, read_run, record_run
from stacker.logbook.rebuilding import rebuild
from stacker.pipeline import process
from stacker.settings import Settings, StackingSettings
from stacker.simulation import Scenario, write_simulation

MakeRun = Callable[..., LoggedRun]


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Process a small simulated capture, told to be Jupiter from a site near Berlin."""
    folder = tmp_path_factory.mktemp("captures")
    capture, *_ = write_simulation(folder / "größe.avi", Scenario(frames=30, height_px=96, width_px=96), 1, "avi")
    told = Circumstances(
        target="Jupiter",
        start_utc="2026-11-26T02:30:00Z",
        filter="green",
        telescope=Telescope(name="ten inch", aperture_mm=254.0),
        site=Site(name="Old Beacon", latitude_deg=52.2, longitude_deg=13.1, elevation_m=80.0),
    )
    return process(capture, folder / "runs", Settings(stacking=StackingSettings(keep=50.0)), told, 1).folder


def test_a_run_folder_is_one_record(run_folder: Path) -> None:
    """Night before local noon is the evening before. Jupiter's altitude by skyfield with DE421 (tests/authorities)
    is what the ephemeris is tested for; here the air mass must be that of its altitude (1 / sin to 2 %)."""
    run = read_run(run_folder)
    assert (run.target, run.telescope, run.filter, run.site) == ("Jupiter", "ten inch", "green", "Old Beacon")
    assert (run.night, run.capture, run.folder) == ("2026-11-25", "größe.avi", run_folder.absolute())
    assert run.settings["stacking"]["keep"] == 50.0 and "telescope" not in run.settings
    assert run.said("camera", "pixel_um") == 3.0
    metrics = json.loads((run_folder / "metrics.json").read_bytes())
    assert run.metrics == metrics and run.id == metrics["work_sha256"][:16]
    assert run.measured["resolution_px"] == Measured(metrics["resolution_px"], metrics["resolution_px_error"])
    assert run.value("frames_total") == 30
    from math import radians, sin

    assert run.altitude_deg is not None and run.airmass is not None
    assert_allclose(run.airmass, 1 / sin(radians(run.altitude_deg)), rtol=0.02)


def test_an_older_run_is_read_from_the_header_of_its_stack(run_folder: Path, tmp_path: Path) -> None:
    """Without circumstances and digest in metrics.json the FITS header tells; the same folder gives the same id."""
    old = tmp_path / "old"
    shutil.copytree(run_folder, old)
    metrics = json.loads((old / "metrics.json").read_bytes())
    del metrics["circumstances"], metrics["work_sha256"]
    (old / "metrics.json").write_text(json.dumps(metrics))
    run, new = read_run(old), read_run(run_folder)
    assert (run.target, run.telescope, run.filter, run.night) == (new.target, new.telescope, new.filter, new.night)
    for table, key in (("telescope", "aperture_mm"), ("telescope", "obstruction_mm"), ("capture", "exposure_s"),
                       ("capture", "wavelength_nm"), ("site", "latitude_deg")):  # fmt: skip
        assert run.said(table, key) == new.said(table, key)
    assert run.id == read_run(old).id != new.id
    (old / "stack.fits").unlink()
    assert read_run(old).target is None


def test_shares_of_the_limits_count_as_numbers(run_folder: Path, tmp_path: Path) -> None:
    """The limits of metrics.json by name, with their errors; what is no number stays out."""
    copy = tmp_path / "copy"
    shutil.copytree(run_folder, copy)
    metrics = json.loads((copy / "metrics.json").read_bytes())
    metrics["limits"] = [{"name": "air", "share": 0.6, "share_error": 0.1, "sentence": ""}, {"name": "light"}]
    (copy / "metrics.json").write_text(json.dumps(metrics))
    run = read_run(copy)
    assert run.measured["limit_air"] == Measured(0.6, 0.1) and "limit_light" not in run.measured
    assert "schema_version" not in run.measured


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("metrics.json", None, "is no run folder; name a folder that holds metrics.json"),
        ("metrics.json", "{", "is not valid JSON; process the capture again"),
        ("metrics.json", "[1]", "holds no measurements of a run"),
        ("settings.toml", "=", "is not valid TOML"),
        ("settings.toml", None, "cannot be read"),
    ],
)
def test_what_is_no_run_is_said_in_one_line(
    run_folder: Path, tmp_path: Path, name: str, content: str | None, words: str
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(run_folder, copy)
    if content is None:
        (copy / name).unlink()
    else:
        (copy / name).write_text(content)
    with pytest.raises(CaptureError, match=words):
        read_run(copy)


def test_a_file_is_no_run_folder(tmp_path: Path) -> None:
    (tmp_path / "saturn.avi").write_bytes(b"")
    with pytest.raises(CaptureError, match="saturn.avi: is no run folder"):
        read_run(tmp_path / "saturn.avi")


def test_recording_can_be_left_out(run_folder: Path, tmp_path: Path) -> None:
    assert record_run(run_folder, "none") is None
    path = tmp_path / "logbook.sqlite"
    run = record_run(run_folder, path)
    assert run is not None
    with Logbook(path) as book:
        assert list(book.select(whole=True)) == [run]


def test_the_logbook_is_rebuilt_from_run_folders(run_folder: Path, tmp_path: Path) -> None:
    """The same content as run by run; unfinished folders stay out, broken ones are told, damaged files move aside."""
    runs = tmp_path / "runs"
    shutil.copytree(run_folder, runs / "deep" / "one")
    shutil.copytree(run_folder, runs / ".one.part77")
    (runs / "broken").mkdir()
    (runs / "broken" / "metrics.json").write_text("{")
    kept, anew = tmp_path / "kept.sqlite", tmp_path / "anew.sqlite"
    record_run(runs / "deep" / "one", kept)
    failed: list[CaptureError] = []
    anew.write_text("no database at all, but what was there is not ours to delete\n" * 50)
    assert rebuild(anew, [runs, runs / "deep"], failed.append) == 1
    assert [error.path.parent.name for error in failed] == ["broken"]
    with Logbook(kept) as one, Logbook(anew) as other:
        assert list(one.select(whole=True)) == list(other.select(whole=True))
    assert anew.with_name("anew.sqlite.damaged1").read_text().startswith("no database")
    with pytest.raises(CaptureError, match="is no folder"):
        rebuild(anew, [tmp_path / "nowhere"], failed.append)


def test_rebuilding_keeps_what_is_on_record(run_folder: Path, tmp_path: Path, make_run: MakeRun) -> None:
    """A run whose folder is gone is still known."""
    path = tmp_path / "logbook.sqlite"
    with Logbook(path) as book:
        book.record([make_run(1)])
    assert rebuild(path, [run_folder.parent], lambda error: None) == 1
    with Logbook(path) as book:
        assert book.count() == 2
    assert os.listdir(tmp_path) == ["logbook.sqlite"]
