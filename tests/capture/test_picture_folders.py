"""Folders of pictures: natural order, strange names, what is left out, and pictures made by other libraries."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import imageio.v3 as imageio
import numpy as np
import pytest
import tifffile
from numpy.testing import assert_array_equal

from stacker.capture import open_capture
from stacker.capture.picture_size import read_picture_header
from stacker.capture.pictures import natural_order

RNG = np.random.default_rng(15)


def picture(value: int, shape: tuple[int, ...] = (12, 18)) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    return np.full(shape, value, np.uint8)


def test_natural_order() -> None:
    """Numbers count as numbers, also after a leading zero and within words."""
    names = ["f10.png", "f2.png", "F1.png", "f02a.png", "f1 (2).png", "f1 (10).png"]
    assert sorted(names, key=natural_order) == [
        "f1 (2).png", "f1 (10).png", "F1.png", "f02a.png", "f2.png", "f10.png",
    ]  # fmt: skip


def test_frames_come_in_natural_order(tmp_path: Path) -> None:
    """Frame 2 before frame 10, names with accents and spaces."""
    for number in (10, 2, 1, 100):
        imageio.imwrite(tmp_path / f"été bild {number}.png", picture(number))
    with open_capture(tmp_path) as capture:
        assert [int(frame[0, 0]) for frame in capture] == [1, 2, 10, 100]


def test_what_is_no_frame_is_left_out(tmp_path: Path) -> None:
    """Hidden files silently; thumbnails, text and previews of another kind with a note."""
    folder = tmp_path / "frames"
    folder.mkdir()
    for number in range(3):
        imageio.imwrite(folder / f"f{number}.png", picture(number))
    imageio.imwrite(folder / "preview.jpg", picture(9, (3, 4)))
    imageio.imwrite(folder / "thumb_0.png", picture(9, (3, 4)))
    imageio.imwrite(folder / ".hidden.png", picture(9, (3, 4)))
    (folder / "log.txt").write_text("clear sky")
    (folder / "deeper").mkdir()
    with open_capture(folder) as capture:
        assert len(capture) == 3
        assert any("3 other files" in note and "log.txt" in note for note in capture.notes)


@pytest.mark.parametrize("ending", [".png", ".jpg", ".tif"])
@pytest.mark.parametrize("shape", [(12, 18), (12, 18, 3)])
def test_pictures_of_other_libraries(tmp_path: Path, ending: str, shape: tuple[int, ...]) -> None:
    """Written by imageio, R, G, B in order, read by place: equal to imageio's own reading."""
    made = np.sort(RNG.integers(0, 256, shape).astype(np.uint8), axis=0)
    imageio.imwrite(tmp_path / f"a{ending}", made)
    expected = imageio.imread(tmp_path / f"a{ending}")
    header = read_picture_header(tmp_path / f"a{ending}")
    assert (header.width, header.height, header.whole) == (18, 12, True)
    with open_capture(tmp_path / f"a{ending}") as capture:
        assert len(capture) == 1
        # JPEG decoders may round the inverse transform differently by one.
        assert np.abs(capture.get_frame(0).astype(int) - expected).max() <= (2 if ending == ".jpg" else 0)


@pytest.mark.parametrize("layout", ["contig", "tiled", "big-endian"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_tiff_pictures(tmp_path: Path, layout: str, dtype: Any) -> None:
    """Single-page TIFF of every usual kind in a folder; its header is read without decoding."""
    options: dict[str, Any] = {"contig": {}, "tiled": {"tile": (16, 16)}, "big-endian": {"byteorder": ">"}}[layout]
    made = [RNG.integers(0, 250, (40, 30)).astype(dtype) for _ in range(3)]
    for number, page in enumerate(made):
        tifffile.imwrite(tmp_path / f"f{number}.tif", page, photometric="minisblack", **options)
        header = read_picture_header(tmp_path / f"f{number}.tif")
        assert (header.width, header.height, header.whole) == (30, 40, True)
    with open_capture(tmp_path) as capture:
        for got, page in zip(capture, made, strict=True):
            assert_array_equal(got, page)


def test_transparency_is_dropped(tmp_path: Path) -> None:
    """Four channels give three, in R, G, B order."""
    made = RNG.integers(0, 256, (8, 9, 4)).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "a.png"), cv2.cvtColor(made, cv2.COLOR_RGBA2BGRA))
    with open_capture(tmp_path / "a.png") as capture:
        assert_array_equal(capture.get_frame(0), made[..., :3])


def test_a_folder_named_by_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From inside the folder, `.` is the capture with the folder's own name."""
    folder = tmp_path / "mars"
    folder.mkdir()
    imageio.imwrite(folder / "a.png", picture(1))
    (tmp_path / "mars.toml").write_text('[capture]\ntarget = "Mars"\n')
    monkeypatch.chdir(folder)
    with open_capture(".") as capture:
        assert (capture.name, capture.circumstances.target) == ("mars", "Mars")


def test_fits_previews_do_not_hide_the_frames(tmp_path: Path) -> None:
    """The kind that prevails is taken."""
    for number in range(4):
        imageio.imwrite(tmp_path / f"f{number}.png", picture(number))
    (tmp_path / "dark.fits").write_bytes(b"SIMPLE  =" + b" " * 3000)
    with open_capture(tmp_path) as capture:
        assert len(capture) == 4
