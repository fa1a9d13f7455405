"""Whatever is wrong with a capture, one clear line says so: the file, what is wrong, what to do."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import imageio.v3 as imageio
import numpy as np
import pytest
from astropy.io import fits

from stacker.capture import CaptureError, open_capture
from stacker.simulation.writing import write_capture

Make = Callable[[Path], Path]


def frames(count: int = 8) -> list[np.ndarray[tuple[int, ...], np.dtype[np.uint8]]]:
    rng = np.random.default_rng(16)
    return [rng.integers(0, 256, (46, 62)).astype(np.uint8) for _ in range(count)]


def file_with(name: str, data: bytes) -> Make:
    def make(folder: Path) -> Path:
        (folder / name).write_bytes(data)
        return folder / name

    return make


def header_only(kind: str, length: int) -> Make:
    def make(folder: Path) -> Path:
        path = write_capture(folder / f"a.{kind}", frames(), kind=kind, bits=8)
        path.write_bytes(path.read_bytes()[:length])
        return path

    return make


def cut_in_half(kind: str) -> Make:
    def make(folder: Path) -> Path:
        path = write_capture(folder / f"a.{kind}", frames(), kind=kind, bits=8)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        return path

    return make


def table_only(folder: Path) -> Path:
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(9))])
    table.writeto(folder / "a.fits")
    return folder / "a.fits"


def tile_compressed(folder: Path) -> Path:
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(np.zeros((40, 40), np.int16))]).writeto(folder / "a.fits")
    return folder / "a.fits"


def picture_folder(folder: Path) -> Path:
    for number, frame in enumerate(frames(5)):
        imageio.imwrite(folder / f"f{number}.png", frame)
    return folder


def odd_size(folder: Path) -> Path:
    imageio.imwrite(picture_folder(folder) / "f3.png", np.zeros((40, 62), np.uint8))
    return folder


def odd_fits(folder: Path) -> Path:
    for number in range(4):
        fits.PrimaryHDU(np.zeros((40, 62 - (number == 2)), np.uint16)).writeto(folder / f"f{number}.fits")
    return folder


def odd_form(number: int, dtype: type[np.generic], shape: tuple[int, ...], ending: str = ".png") -> Make:
    """A folder of 8-bit gray pictures in which one is of another depth, or in colour."""

    def make(folder: Path) -> Path:
        for place, frame in enumerate(frames(5)):
            odd = place == number
            imageio.imwrite(folder / f"f{place}{ending}", np.full(shape, 7, dtype) if odd else frame)
        return folder

    return make


def a_row(folder: Path) -> Path:
    fits.PrimaryHDU(np.zeros((5, 1, 62), np.uint16)).writeto(folder / "a.fits")
    return folder / "a.fits"


def two_kinds(folder: Path) -> Path:
    for number, frame in enumerate(frames(5)):
        imageio.imwrite(folder / f"f{number}.{'png' if number % 2 else 'tif'}", frame)
    return folder


def covered_aperture(folder: Path) -> Path:
    path = write_capture(folder / "a.avi", frames(3), kind="avi", bits=8)
    (folder / "a.toml").write_text("[telescope]\naperture_mm = 100\nobstruction_mm = 120\n")
    return path


def cut_picture(folder: Path) -> Path:
    name = picture_folder(folder) / "f2.png"
    name.write_bytes(name.read_bytes()[:1500])
    return folder


def empty_folder(folder: Path) -> Path:
    return folder


def folder_of_captures(folder: Path) -> Path:
    write_capture(folder / "a.avi", frames(), kind="avi", bits=8)
    return folder


def pipe(folder: Path) -> Path:
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes")
    os.mkfifo(folder / "a.avi")
    return folder / "a.avi"


TEXT = b"Seeing was poor tonight.\n" * 300
NOT_STANDARD = b"SIMPLE  =                    F".ljust(80) + b"END".ljust(2800)
CASES: dict[str, tuple[Make, str, str]] = {
    "nothing there": (lambda folder: folder / "a.avi", "a.avi", "no such file"),
    "empty": (file_with("a.avi", b""), "a.avi", "is empty"),
    "text with a video's ending": (file_with("a.avi", TEXT), "a.avi", "holds text, not frames"),
    "text with FITS's ending": (file_with("a.fits", TEXT), "a.fits", "holds text, not frames"),
    "a play list": (file_with("a.mkv", b"#EXTM3U\nhttp://localhost/a.ts\n"), "a.mkv", "holds text, not frames"),
    "noise": (file_with("a.mp4", np.random.default_rng(1).bytes(50000)), "a.mp4", "holds no video"),
    "zeros": (file_with("a.mov", bytes(50000)), "a.mov", "holds no video"),
    "packed": (file_with("a.fits.gz", b"\x1f\x8b\x08" + bytes(500)), "a.fits.gz", "is packed with gzip"),
    "AVI header only": (header_only("avi", 500), "a.avi", "holds no whole frame"),
    "AVI begun": (header_only("avi", 30), "a.avi", "holds no"),
    "Matroska header only": (header_only("ffv1", 300), "a.ffv1", "holds no"),
    "FITS header only": (header_only("fits", 2880), "a.fits", "holds no whole frame"),
    "FITS header without end": (header_only("fits", 400), "a.fits", "header has no end"),
    "TIFF header only": (header_only("tiff", 8), "a.tiff", "without a readable page"),
    "MP4 cut in half": (cut_in_half("h264"), "a.h264", "holds no video"),
    "FITS without an image": (table_only, "a.fits", "holds no image"),
    "FITS tile-compressed": (tile_compressed, "a.fits", "tile-compressed"),
    "not standard FITS": (file_with("a.fits", NOT_STANDARD), "a.fits", "not standard"),
    "odd-sized picture": (odd_size, "f3.png", "is 62x40 where the others are 62x46"),
    "odd-sized FITS frame": (odd_fits, "f2.fits", "is 61x40 BITPIX 16 BZERO 32768 where the others are 62x40"),
    "picture of another depth": (odd_form(3, np.uint16, (46, 62)), "f3.png", "is 16-bit gray where the others are 8-"),
    "first picture in colour": (odd_form(0, np.uint8, (46, 62, 3)), "f0.png", "is 8-bit colour where the others"),
    "TIFF in colour": (odd_form(4, np.uint8, (46, 62, 3), ".tif"), "f4.tif", "is 8-bit colour where"),
    "JPEG in colour": (odd_form(4, np.uint8, (46, 62, 3), ".jpg"), "f4.jpg", "is 8-bit colour where"),
    "frames of one row": (a_row, "a.fits", "has frames of 62x1 px"),
    "two kinds of picture": (two_kinds, "", "holds 3 TIFF and 2 PNG frames; move one kind"),
    "obstruction wider than the aperture": (covered_aperture, "a.avi", "obstruction_mm 120 covers the aperture"),
    "cut picture": (cut_picture, "f2.png", "is cut short"),
    "empty folder": (empty_folder, "", "holds no PNG, TIFF, JPEG or FITS frame"),
    "folder of captures": (folder_of_captures, "", "or each capture in it"),
    "named pipe": (pipe, "a.avi", "neither a file nor a folder"),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_one_clear_line(tmp_path: Path, case: str, capfd: pytest.CaptureFixture[str]) -> None:
    """The error begins with the file, has one line, and nothing else is printed by any library."""
    make, name, words = CASES[case]
    path = make(tmp_path)
    capfd.readouterr()
    with pytest.raises(CaptureError) as caught:
        open_capture(path)
    message = str(caught.value)
    assert message.startswith(f"{tmp_path / name}: ")
    assert words in message
    assert ";" in message, "what to do is missing"
    assert "\n" not in message
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", ["avi", "ffv1", "fits", "tiff", "png"])
def test_permission_refused(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system's refusal is told as such (simulated: a superuser is never refused)."""
    path = write_capture(tmp_path / "a", frames(2), kind=kind, bits=8)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("os.open", refuse)
    monkeypatch.setattr("pathlib.Path.iterdir", refuse)
    with pytest.raises(CaptureError, match="not permitted"):
        open_capture(path)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="a superuser is never refused")
def test_permission_refused_by_the_system(tmp_path: Path) -> None:
    """The same, asked of the system itself where it would refuse."""
    path = write_capture(tmp_path / "a.avi", frames(2), kind="avi", bits=8)
    path.chmod(0)
    with pytest.raises(CaptureError, match="not permitted"):
        open_capture(path)


def test_sidecar_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sidecar is not silently passed over."""
    path = write_capture(tmp_path / "a.avi", frames(2), kind="avi", bits=8)
    (tmp_path / "a.toml").write_text("[capture]\n")

    def refuse(*_: object) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.read_bytes", refuse)
    with pytest.raises(CaptureError, match=r"a\.toml: .*not permitted"):
        open_capture(path)


def test_disk_that_fails_while_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An input-output error in the middle of a capture is a clear line too."""
    path = write_capture(tmp_path / "a.avi", frames(2), kind="avi", bits=8)

    def fail(*_: object) -> int:
        raise OSError(5, "Input/output error")

    with open_capture(path) as capture:
        monkeypatch.setattr("os.preadv", fail, raising=False)
        monkeypatch.setattr("os.read", fail)
        with pytest.raises(CaptureError, match="Input/output error"):
            capture.get_frame(1)


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("level", [0, 255])
@pytest.mark.parametrize("kind", ["avi", "ffv1", "fits", "tiff", "png", "h264"])
def test_short_black_and_white_captures_open(tmp_path: Path, count: int, level: int, kind: str) -> None:
    """One or three frames, all black or all white, are captures: whether they are of use is judged later."""
    path = write_capture(tmp_path / "a", [np.full((46, 62), level, np.uint8)] * count, kind=kind, bits=8)
    with open_capture(path) as capture:
        assert len(list(capture)) == len(capture) == count


def test_a_sidecar_given_as_capture_is_told_as_text(tmp_path: Path) -> None:
    """It is its own sidecar by name, and may hold keys that no sidecar has: still it is called text."""
    (tmp_path / "garden.toml").write_text("[site]\nseeing_arcsec = 2.0\n", encoding="utf-8")
    with pytest.raises(CaptureError, match="holds text, not frames"):
        open_capture(tmp_path / "garden.toml")


def test_a_run_folder_given_as_capture_is_told_as_one(tmp_path: Path) -> None:
    """Its pictures are no frames, though they look like some."""
    (tmp_path / "metrics.json").write_text("{}", encoding="utf-8")
    imageio.imwrite(tmp_path / "finished.png", frames(1)[0])
    with pytest.raises(CaptureError, match="is a run folder; name the capture"):
        open_capture(tmp_path)
