"""A run folder is whole or absent, and its files are what other software expects."""

import csv
import errno
import json
import os
import tomllib
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits

from stacker.capture import CaptureError, Circumstances, Telescope
from stacker.run_folder import writing as writing_module
from stacker.run_folder.curves_file import CURVE_KEYS
from stacker.run_folder.evidence import Evidence
from stacker.run_folder.frame_table import FrameTable
from stacker.run_folder.metrics_file import METRIC_KEYS, complete_metrics
from stacker.run_folder.place import RUN_FILES, OutputError, check_place, whole_folder
from stacker.run_folder.writing import write_run
from stacker.settings import PictureSettings, Settings, StackingSettings
from stacker.settings_file import load_settings
from stacker.stacking.record import Stack
from stacker.version import __version__

COLUMNS = "frame,time_s,sharpness,brightness,dy_px,dx_px,used,reason"


def _write(folder: Path, *, colour: bool = False, metrics: dict[str, Any] | None = None, **more: Any) -> np.ndarray:
    random = np.random.default_rng(3)
    shape = (24, 30, 3) if colour else (24, 30)
    image = random.normal(100, 5, shape).astype(np.float32)
    ones = np.ones_like(image)
    stack = Stack(image, ones, 3 * ones, image, image, np.ones((24, 30), bool), "disc", None, np.full(3, 1 / 3))
    table = FrameTable(
        time_s=np.array([0.0, 0.02, np.nan]),
        sharpness=np.array([1.23456789, 1e-9, np.nan]),
        brightness=np.array([100.0, 12345678.0, np.nan]),
        shift_px=np.array([[0.0, -0.0], [-0.0001, 12.3456], [np.nan, np.nan]]),
        used=np.array([True, True, False]),
        reason=("", "", "torn, or half empty"),
    )
    shown = np.arange(image.size, dtype=np.uint16).reshape(shape)
    given = {"capture": "x", "snr": 12.5, "snr_error": np.float32(0.5), "frames_used": np.int64(2), "r0_mm": np.nan}
    whole: dict[str, Any] = {
        "stack": stack,
        "finished": 2 * image,
        "shown": shown,
        "labelled": (shown >> 8).astype(np.uint8),
        "evidence": Evidence(image.astype(np.uint8), dict.fromkeys(CURVE_KEYS)),
        "frames": table,
        "metrics": given if metrics is None else metrics,
        "settings": Settings(stacking=StackingSettings(keep=20)),
        "header": {"OBJECT": ("model planet", "")},
    }
    write_run(folder, **(whole | more))
    return image


@pytest.mark.parametrize("colour", [False, True])
def test_astropy_tifffile_and_opencv_read_the_images(tmp_path: Path, colour: bool) -> None:
    """Linear pixels are the same in FITS and TIFF; colours stay R, G, B in every file."""
    run = tmp_path / "run"
    image = _write(run, colour=colour)
    assert sorted(entry.name for entry in run.iterdir()) == sorted(RUN_FILES)
    np.testing.assert_array_equal(tifffile.imread(run / "stack.tif"), image)
    for name, factor in (("stack.fits", 1), ("finished.fits", 2)):
        with fits.open(run / name, checksum=True) as opened:
            opened.verify("exception")
            assert [unit.name for unit in opened[1:]] == ["VARIANCE", "COVERAGE"]
            assert opened[0].header["ROWORDER"] == "TOP-DOWN"
            data = opened[0].data
            np.testing.assert_array_equal(np.moveaxis(data, 0, 2) if colour else data, factor * image)
    picture = cv2.imread(str(run / "finished.png"), cv2.IMREAD_UNCHANGED)
    picture = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB) if colour else picture
    np.testing.assert_array_equal(picture, np.arange(image.size, dtype=np.uint16).reshape(image.shape))


def test_the_frame_table_is_plain_csv(tmp_path: Path) -> None:
    """RFC 4180 fields under the promised columns, ended by LF; what is not known is empty, minus zero is zero."""
    _write(tmp_path / "run")
    raw = (tmp_path / "run" / "frames.csv").read_bytes()
    assert b"\r" not in raw
    rows = list(csv.reader(raw.decode().splitlines()))
    assert ",".join(rows[0]) == COLUMNS
    assert rows[1] == ["0", "0.000000", "1.23457", "100", "0.000", "0.000", "1", ""]
    assert rows[2] == ["1", "0.020000", "1e-09", "1.23457e+07", "0.000", "12.346", "1", ""]
    assert rows[3] == ["2", "", "", "", "", "", "0", "torn, or half empty"]


def test_metrics_have_every_key_and_no_nan(tmp_path: Path) -> None:
    """JSON has no NaN (RFC 8259): what was not measured is null, and every promised key is there."""
    _write(tmp_path / "run")
    text = (tmp_path / "run" / "metrics.json").read_text(encoding="utf-8")
    read = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))
    assert next(iter(read)) == "schema_version"
    assert set(METRIC_KEYS) <= set(read)
    assert (read["snr"], read["snr_error"], read["frames_used"], read["r0_mm"]) == (12.5, 0.5, 2, None)
    assert (read["limits"], read["notes"]) == (None, {})
    assert read["software_version"] == __version__


def test_a_metric_that_nobody_promised_is_refused() -> None:
    with pytest.raises(ValueError, match="sharpnes"):
        complete_metrics({"sharpnes": 1.0})


def test_settings_of_a_run_read_back_equal(tmp_path: Path) -> None:
    overrides = Circumstances(target='a "b" \\ é', telescope=Telescope(aperture_mm=203.2))
    _write(tmp_path / "run", overrides=overrides)
    path = tmp_path / "run" / "settings.toml"
    assert load_settings(path) == (Settings(stacking=StackingSettings(keep=20.0)), overrides)
    assert tomllib.loads(path.read_text(encoding="utf-8"))["telescope"] == {"aperture_mm": 203.2}


def test_the_same_run_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("first", "second"):
        _write(tmp_path / name, colour=True)
    for file in RUN_FILES:
        assert (tmp_path / "first" / file).read_bytes() == (tmp_path / "second" / file).read_bytes(), file


def test_a_second_run_replaces_the_first_and_keeps_what_others_put_there(tmp_path: Path) -> None:
    run = tmp_path / "run"
    _write(run)
    (run / "my notes.txt").write_text("good night")
    _write(run, metrics={"capture": "second"})
    assert json.loads((run / "metrics.json").read_text())["capture"] == "second"
    assert (run / "my notes.txt").read_text() == "good night"
    assert [entry.name for entry in tmp_path.iterdir()] == ["run"]


def test_a_disk_that_fills_up_leaves_the_older_run_whole(
    tmp_path: Path, disk_of: Callable[[int], AbstractContextManager[None]]
) -> None:
    run = tmp_path / "run"
    _write(run)
    before = {entry.name: entry.read_bytes() for entry in run.iterdir()}
    with disk_of(4096), pytest.raises(OutputError, match="cannot be written"):
        _write(run, metrics={"capture": "second"})
    assert {entry.name: entry.read_bytes() for entry in run.iterdir()} == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["run"]


@pytest.mark.parametrize("failure", [KeyboardInterrupt, MemoryError])
def test_an_interrupted_run_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failure: type) -> None:
    def stop(*_: object) -> None:
        raise failure

    monkeypatch.setattr(writing_module, "write_metrics", stop)
    with pytest.raises(failure):
        _write(tmp_path / "run")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "words"), [(errno.ENOSPC, "No space left on device"), (errno.EACCES, "not permitted")]
)
def test_what_the_system_refuses_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(writing_module, "write_tiff", refuse)
    with pytest.raises(OutputError, match=words) as caught:
        _write(tmp_path / "run")
    assert isinstance(caught.value, CaptureError)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_no_run_is_never_replaced(tmp_path: Path) -> None:
    """A capture that is a folder of pictures has the name that its run would have beside it."""
    (tmp_path / "moon").mkdir()
    (tmp_path / "moon" / "f0001.png").write_bytes(b"a frame")
    with pytest.raises(OutputError, match="something else than a run"), whole_folder(tmp_path / "moon"):
        pytest.fail("the folder was handed out")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="in the way"):
        check_place(tmp_path / "file")
    with pytest.raises(OutputError, match="file: is a file, not a folder; choose another --out"):
        check_place(tmp_path / "file" / "deep" / "run")
    assert (tmp_path / "moon" / "f0001.png").read_bytes() == b"a frame"


def test_a_jpeg_is_written_where_it_is_asked_for_and_goes_again(tmp_path: Path) -> None:
    """ITU-T T.81: begins with FF D8 FF; the picture comes back within the 2 levels of a good quality."""
    folder = tmp_path / "run"
    jpeg = Settings(pictures=PictureSettings(jpeg=True))
    smooth = np.linspace(9000, 50000, 24 * 30 * 3).reshape(24, 30, 3).astype(np.uint16)
    for shown in (smooth, np.ascontiguousarray(smooth[..., 0])):
        _write(folder, colour=shown.ndim == 3, settings=jpeg, shown=shown)
        assert (folder / "finished.jpg").read_bytes()[:3] == b"\xff\xd8\xff"
        read = cv2.imread(str(folder / "finished.jpg"), cv2.IMREAD_UNCHANGED)
        read = read[..., ::-1] if read.ndim == 3 else read
        assert read.shape == shown.shape
        assert np.abs(read.astype(float) - shown / 257).mean() < 2
    _write(folder)
    assert not (folder / "finished.jpg").exists()


def test_the_planes_of_a_colour_file_are_named(tmp_path: Path) -> None:
    """CTYPEn names what an axis holds (FITS 4.0, section 8.2)."""
    _write(tmp_path / "run", colour=True)
    for name in ("stack.fits", "finished.fits"):
        with fits.open(tmp_path / "run" / name) as units:
            units.verify("exception")
            for unit in units:
                assert unit.header["CTYPE3"] == "CHANNEL"
                assert [unit.header[f"CHANNEL{n}"] for n in (1, 2, 3)] == ["R", "G", "B"]
            assert units[0].header["BALANCE"] == "none"
    _write(tmp_path / "run")
    assert "CTYPE3" not in fits.getheader(tmp_path / "run" / "stack.fits")
