"""Captures are found by what they hold, wherever they lie; what lies beside them is passed over."""

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits

from stacker.capture import CaptureError
from stacker.night.discovery import candidates
from stacker.night.found import Found, look, without_calibration

Recorder = Callable[..., Path]


def _found(folder: Path, out: Path | None = None) -> dict[str, Found]:
    seen = (look(candidate) for candidate in candidates(folder, out))
    return {entry.path.relative_to(folder).as_posix(): entry for entry in seen if entry is not None}


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("avi", "a.avi"),
        ("ffv1", "a.mkv"),
        ("fits", "a.fits"),
        ("tiff", "a.tif"),
        ("png", "a"),
        ("jpeg", "a"),
        ("tiff-folder", "a"),
        ("fits-folder", "a"),
    ],
)
def test_every_kind_that_a_reader_knows_is_one_capture(record: Recorder, tmp_path: Path, kind: str, name: str) -> None:
    record(tmp_path / "deep" / "er" / name, kind=kind, frames=5)
    found = _found(tmp_path)
    assert list(found) == [f"deep/er/{name}"]
    assert (found[f"deep/er/{name}"].frames, found[f"deep/er/{name}"].fault) == (5, "")


def test_the_ending_does_not_decide(record: Recorder, tmp_path: Path) -> None:
    record(tmp_path / "a.avi", frames=4).rename(tmp_path / "a.capture")
    assert _found(tmp_path)["a.capture"].frames == 4


def test_what_is_no_capture_is_passed_over(record: Recorder, tmp_path: Path) -> None:
    """Sidecars, notes, truths, snapshots, system files, hidden files, and programs' own binary files."""
    record(tmp_path / "a.avi", frames=4, capture={"target": "Ambrel"})
    (tmp_path / "notes.txt").write_text("fog at ten")
    (tmp_path / "empty.log").write_bytes(b"")
    np.savez(tmp_path / "truth.npz", a=np.zeros(9))
    cv2.imwrite(str(tmp_path / "snapshot.png"), np.zeros((9, 9), np.uint8))
    (tmp_path / "thumbs.db").write_bytes(bytes(range(256)) * 20)
    (tmp_path / ".hidden.avi").write_bytes((tmp_path / "a.avi").read_bytes())
    (tmp_path / ".trash").mkdir()
    (tmp_path / ".trash" / "b.avi").write_bytes((tmp_path / "a.avi").read_bytes())
    assert list(_found(tmp_path)) == ["a.avi"]


def test_run_folders_and_the_folder_of_results_are_passed_over(record: Recorder, tmp_path: Path) -> None:
    record(tmp_path / "a.avi", frames=4)
    for name in ("runs/a", "earlier/a"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "stack.fits").write_bytes(b"SIMPLE  =")
    (tmp_path / "earlier" / "a" / "metrics.json").write_text("{}")
    assert list(_found(tmp_path, tmp_path / "runs")) == ["a.avi"]


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("a.avi", b"", "is empty"),
        ("a.mkv", b"clear until midnight\n" * 40, "holds text"),
        ("a.mov", bytes(range(256)) * 20, ""),
        ("a.fits", b"SIMPLE  =                    T" + b" " * 400, "no end"),
    ],
)
def test_what_claims_to_be_a_capture_and_is_none_is_told(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    (tmp_path / name).write_bytes(data)
    fault = _found(tmp_path)[name].fault
    assert fault.startswith(str(tmp_path / name))
    assert words in fault


def test_single_frames_of_fits_and_tiff_make_a_sequence_and_cubes_do_not(tmp_path: Path) -> None:
    for number in range(4):
        frame = np.full((20, 24), number, np.uint16)
        (tmp_path / "frames").mkdir(exist_ok=True)
        (tmp_path / "cubes").mkdir(exist_ok=True)
        (tmp_path / "pages").mkdir(exist_ok=True)
        fits.writeto(tmp_path / "frames" / f"f{number}.fits", frame)
        fits.writeto(tmp_path / "cubes" / f"f{number}.fits", np.stack([frame, frame + 1]))
        tifffile.imwrite(tmp_path / "pages" / f"f{number}.tif", np.stack([frame, frame + 1]), bigtiff=number > 1)
    found = list(_found(tmp_path))
    assert found == [*(f"cubes/f{n}.fits" for n in range(4)), "frames", *(f"pages/f{n}.tif" for n in range(4))]


def test_two_sequences_in_one_folder_are_told_apart_in_words(record: Recorder, tmp_path: Path) -> None:
    record(tmp_path / "a", kind="png", frames=4)
    for path in sorted((tmp_path / "a").iterdir()):
        path.with_name(f"sun_{path.name}").write_bytes(path.read_bytes())
    (only,) = _found(tmp_path).values()
    assert "several sequences of pictures" in only.fault


def test_darks_and_flats_that_sidecars_name_are_no_captures(record: Recorder, tmp_path: Path) -> None:
    record(tmp_path / "a.avi", frames=4, capture={"dark": "cal/dark.avi", "flat": "cal/flat"})
    record(tmp_path / "cal" / "dark.avi", frames=4)
    record(tmp_path / "cal" / "flat", kind="png", frames=4)
    record(tmp_path / "cal" / "moon.avi", frames=4)
    captures, calibration = without_calibration(list(_found(tmp_path).values()))
    assert [entry.path.name for entry in captures] == ["a.avi", "moon.avi"]
    assert [path.name for path in calibration] == ["dark.avi", "flat"]


def test_a_folder_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no folder that can be read"):
        list(candidates(tmp_path / "nowhere"))
