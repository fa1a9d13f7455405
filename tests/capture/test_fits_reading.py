"""FITS frames and headers against astropy and the FITS standard 4.0 (Pence et al. 2010 and its successor of 2018)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from stacker.capture import Circumstances, Telescope, open_capture
from stacker.capture.circumstances import MOSAICS
from stacker.capture.fits_header import units
from stacker.capture.positioned import PositionedFile
from stacker.simulation.writing import write_capture

RNG = np.random.default_rng(11)
CUBES: dict[str, NDArray[Any]] = {
    "u1": RNG.integers(0, 256, (4, 7, 9)).astype(np.uint8),
    "i1": RNG.integers(-128, 128, (4, 7, 9)).astype(np.int8),
    "i2": RNG.integers(0, 4096, (4, 7, 9)).astype(np.int16),
    "i2-negative": RNG.integers(-50, 4096, (4, 7, 9)).astype(np.int16),
    "u2": RNG.integers(0, 65536, (4, 7, 9)).astype(np.uint16),
    "i4": RNG.integers(-(2**30), 2**30, (4, 7, 9)).astype(np.int32),
    "u4": RNG.integers(0, 2**32, (4, 7, 9)).astype(np.uint32),
    "i8": RNG.integers(-(2**50), 2**50, (4, 7, 9)).astype(np.int64),
    "f4": RNG.normal(0, 1e3, (4, 7, 9)).astype(np.float32),
    "f8": RNG.normal(0, 1e3, (4, 7, 9)),
}
DELIVERED = {"u1": np.uint8, "i2": np.uint16, "u2": np.uint16}


@pytest.mark.parametrize("kind", CUBES)
@pytest.mark.parametrize("where", ["primary", "extension"])
def test_values_equal_astropys(tmp_path: Path, kind: str, where: str) -> None:
    """Every BITPIX with its usual BZERO gives what astropy gives; integers of more than 16 bits come as float32."""
    path = tmp_path / "cube.fits"
    if where == "primary":
        fits.PrimaryHDU(CUBES[kind]).writeto(path)
    else:
        table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(900))])
        fits.HDUList([fits.PrimaryHDU(), table, fits.ImageHDU(CUBES[kind])]).writeto(path)
    expected = fits.getdata(path, 0 if where == "primary" else 2)
    with open_capture(path) as capture:
        assert capture.dtype == DELIVERED.get(kind, np.float32)
        assert len(capture) == 4
        for got, made in zip(capture, expected, strict=True):
            assert_array_equal(got, made.astype(capture.dtype))


def test_scaled_and_blank_integers(tmp_path: Path) -> None:
    """BZERO + BSCALE x stored (equation 3), BLANK as NaN."""
    stored = RNG.integers(0, 100, (3, 5, 6)).astype(np.int16)
    stored[1, 2, 3] = -32768
    hdu = fits.PrimaryHDU(stored)
    hdu.header["BSCALE"], hdu.header["BZERO"], hdu.header["BLANK"] = 0.5, 10.0, -32768
    hdu.writeto(tmp_path / "a.fits")
    with open_capture(tmp_path / "a.fits") as capture:
        for got, made in zip(capture, fits.getdata(tmp_path / "a.fits"), strict=True):
            assert_allclose(got, made, rtol=1e-6)
    assert np.isnan(capture_frame(tmp_path / "a.fits", 1)[2, 3])


def capture_frame(path: Path, index: int) -> NDArray[Any]:
    with open_capture(path) as capture:
        return capture.get_frame(index)


def test_nan_is_delivered(tmp_path: Path) -> None:
    """NaN in float data is handed on; the choosing of frames deals with it."""
    cube = CUBES["f4"].copy()
    cube[2, 1, 1] = np.nan
    fits.PrimaryHDU(cube).writeto(tmp_path / "a.fits")
    assert_array_equal(capture_frame(tmp_path / "a.fits", 2), cube[2])


@pytest.mark.parametrize(
    ("shape", "names", "frames", "frame_shape"),
    [
        ((7, 9), None, 1, (7, 9)),
        ((1, 7, 9), None, 1, (7, 9)),
        ((3, 7, 9), None, 3, (7, 9)),
        ((3, 7, 9), "RGB", 1, (7, 9, 3)),
        ((5, 3, 7, 9), None, 5, (7, 9, 3)),
        ((3, 5, 7, 9), None, 5, (7, 9, 3)),
        ((1, 5, 7, 9), None, 5, (7, 9)),
        ((5, 1, 7, 9), None, 5, (7, 9)),
        ((7, 9, 3), None, 1, (7, 9, 3)),
        ((5, 7, 9, 3), None, 5, (7, 9, 3)),
    ],
)
def test_axes(
    tmp_path: Path, shape: tuple[int, ...], names: str | None, frames: int, frame_shape: tuple[int, ...]
) -> None:
    """Frames, planes and interleaved colours are told apart by the axes, three planes by their name."""
    cube = RNG.integers(0, 4096, shape).astype(np.uint16)
    hdu = fits.PrimaryHDU(cube)
    if names:
        hdu.header["CTYPE3"] = names
    hdu.writeto(tmp_path / "a.fits")
    colour_axis = None if len(frame_shape) == 2 else [axis for axis, length in enumerate(shape) if length == 3][0]
    moved = cube if colour_axis is None else np.moveaxis(cube, colour_axis, -1)
    with open_capture(tmp_path / "a.fits") as capture:
        assert (len(capture), capture.shape) == (frames, frame_shape)
        for got, made in zip(capture, moved.reshape(frames, *frame_shape), strict=True):
            assert_array_equal(got, made)


@pytest.mark.parametrize("pattern", MOSAICS)
@pytest.mark.parametrize("height", [8, 9])
@pytest.mark.parametrize("offsets", [(0, 0), (1, 0), (0, 1), (1, 1)])
@pytest.mark.parametrize("order", ["TOP-DOWN", "BOTTOM-UP"])
def test_row_order_turns_pixels_and_mosaic_together(
    tmp_path: Path, pattern: str, height: int, offsets: tuple[int, int], order: str
) -> None:
    """A raw frame painted by its own pattern still has each colour where the delivered mosaic says.

    BAYERPAT, its offsets and ROWORDER are common practice, no source; the pattern is that of the stored rows.
    """
    rows, columns = np.mgrid[:height, :10]
    letters = np.array(list(pattern)).reshape(2, 2)[(rows + offsets[1]) % 2, (columns + offsets[0]) % 2]
    stored = np.select([letters == "R", letters == "G", letters == "B"], [10, 20, 30]).astype(np.uint16)
    hdu = fits.PrimaryHDU(stored[np.newaxis])
    hdu.header["BAYERPAT"], hdu.header["ROWORDER"] = pattern, order
    hdu.header["XBAYROFF"], hdu.header["YBAYROFF"] = offsets
    hdu.writeto(tmp_path / "a.fits")
    with open_capture(tmp_path / "a.fits") as capture:
        frame, mosaic = capture.get_frame(0), capture.mosaic
    assert_array_equal(frame, stored[::-1] if order == "BOTTOM-UP" else stored)
    assert mosaic is not None
    values = {"R": 10, "G": 20, "B": 30}
    for place, letter in enumerate(mosaic):
        assert_array_equal(frame[place // 2 :: 2, place % 2 :: 2], values[letter])


def test_header_equals_astropys(tmp_path: Path) -> None:
    """Every kind of value (section 4.2): text with quotes, logical, integer, float with exponent D, none, comments."""
    header = fits.Header()
    header["OBJECT"] = ("it's / a 'test'", "comment / with slash")
    header["LONGTEXT"] = "x" * 60
    header["EMPTY"] = ""
    header["FLAG"], header["NOFLAG"] = True, False
    header["WHOLE"], header["MINUS"] = 12345678901, -7
    header["REAL"], header["TINY"] = 3.25, -1.5e-30
    header["NOTHING"] = fits.card.Undefined()
    header["HISTORY"] = "made for a test"
    header["COMMENT"] = "EXPTIME = 12 is not a card here"
    for number in range(60):
        header[f"FILL{number}"] = number
    header.append(fits.Card.fromstring("DOUBLE  =             1.25D+03 / Fortran exponent"))
    path = tmp_path / "a.fits"
    fits.HDUList([fits.PrimaryHDU(CUBES["u2"], header), fits.ImageHDU(CUBES["f4"])]).writeto(path)
    file = PositionedFile(path)
    with fits.open(path) as opened:
        found = list(units(file))
        assert len(found) == len(opened)
        for unit, hdu in zip(found, opened, strict=True):
            assert unit.data_offset == hdu.fileinfo()["datLoc"]
    raw = fits.Header.fromfile(path)
    for keyword, value in raw.items():
        if keyword in ("HISTORY", "COMMENT"):
            assert keyword not in found[0].cards
        else:
            expected = None if isinstance(value, fits.card.Undefined) else value
            assert found[0].cards[keyword] == expected, keyword
            assert found[0].comments[keyword] == raw.comments[keyword]
    file.close()


def test_circumstances_from_the_header(tmp_path: Path) -> None:
    """Reserved and common keywords reach the records; sexagesimal sites too."""
    hdu = fits.PrimaryHDU(CUBES["u2"])
    cards = {
        "OBJECT": "Saturn", "DATE-OBS": "2031-04-05T21:30:00.5", "EXPTIME": 0.02, "FILTER": "R", "TELESCOP": "tube",
        "INSTRUME": "box", "FOCALLEN": 3000.0, "APTDIA": 250.0, "XPIXSZ": 2.9, "EGAIN": 0.4,
        "SITELAT": "+48 12 36", "SITELONG": "-11 30 00", "SITEELEV": 520.0,
    }  # fmt: skip
    hdu.header.update(cards)
    hdu.writeto(tmp_path / "a.fits")
    with open_capture(tmp_path / "a.fits") as capture:
        found, times = capture.circumstances, capture.times_utc
    assert (found.target, found.exposure_s, found.filter) == ("Saturn", 0.02, "R")
    assert found.telescope == Telescope("tube", 250.0, 3000.0)
    assert (found.camera.name, found.camera.pixel_um, found.camera.gain_e_per_adu) == ("box", 2.9, 0.4)
    assert_allclose([found.site.latitude_deg, found.site.longitude_deg], [48.21, -11.5])  # type: ignore[list-item]
    assert times is not None
    assert times[0] == np.datetime64("2031-04-05T21:30:00.5")
    assert_array_equal(np.diff(times), np.timedelta64(20000, "us"))


@pytest.mark.parametrize(
    ("cards", "step_us"),
    [
        ({"FRATE": 50.0, "EXPTIME": 0.001}, 20000),
        ({"DATE-END": "2031-04-05T21:30:02", "EXPTIME": 0.001}, 500000),
        ({"XPOSURE": 0.004, "EXPTIME": 0.001}, 4000),
        ({}, None),
        ({"FRATE": 50.0, "TIMESYS": "TT"}, None),
    ],
)
def test_cadence(tmp_path: Path, cards: dict[str, Any], step_us: int | None) -> None:
    """Stated rate, else the span, else the exposure; none without any, and none in another time scale (section 9.2)."""
    hdu = fits.PrimaryHDU(CUBES["u2"])
    hdu.header.update({"DATE-OBS": "2031-04-05T21:30:00", **cards})
    hdu.writeto(tmp_path / "a.fits")
    with open_capture(tmp_path / "a.fits") as capture:
        times = capture.times_utc
    if step_us is None:
        assert times is None
    else:
        assert times is not None
        assert_array_equal(np.diff(times), np.timedelta64(step_us, "us"))


def test_folder_takes_each_frames_own_time(tmp_path: Path) -> None:
    """Natural order, not that of the letters; times uneven as the headers have them."""
    folder = tmp_path / "night"
    folder.mkdir()
    for number in (0, 1, 2, 10):
        hdu = fits.PrimaryHDU(np.full((5, 6), number, np.uint16))
        hdu.header["DATE-OBS"] = f"2031-04-05T21:30:{number:02d}.25"
        hdu.writeto(folder / f"f{number}.fit")
    with open_capture(folder) as capture:
        assert [int(frame[0, 0]) for frame in capture] == [0, 1, 2, 10]
        assert capture.times_utc is not None
        seconds = (capture.times_utc - np.datetime64("2031-04-05T21:30:00")) / np.timedelta64(1, "s")
    assert_allclose(seconds, [0.25, 1.25, 2.25, 10.25])


def test_folder_of_signed_frames_has_one_kind(tmp_path: Path) -> None:
    """A negative number in any frame makes all of them float32."""
    folder = tmp_path / "night"
    folder.mkdir()
    for number, low in enumerate((0, -5, 0)):
        fits.PrimaryHDU(np.full((5, 6), low, np.int16)).writeto(folder / f"f{number}.fit")
    with open_capture(folder) as capture:
        assert capture.dtype == np.float32
        assert [float(frame[0, 0]) for frame in capture] == [0, -5, 0]


@pytest.mark.parametrize("kind", ["fits", "fits-folder"])
@pytest.mark.parametrize("shape", [(7, 9), (7, 9, 3)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_what_we_write_is_standard_fits(tmp_path: Path, kind: str, shape: tuple[int, ...], dtype: Any) -> None:
    """astropy finds nothing to complain about and reads the same numbers."""
    frames = [RNG.integers(0, 200, shape).astype(dtype) for _ in range(3)]
    known = Circumstances(target="Ü 'x'", exposure_s=1e-3, start_utc="2031-04-05T21:30:00Z", filter="f" * 80)
    path = write_capture(tmp_path / "a.fits", frames, kind=kind, bits=8, circumstances=known, mosaic=None)
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    read = []
    for file in files:
        assert file.stat().st_size % 2880 == 0
        with fits.open(file) as opened:
            opened.verify("exception")
            data = np.array(opened[0].data)
            read += [data] if kind == "fits-folder" else list(data)
    for got, made in zip(read, frames, strict=True):
        assert_array_equal(got if made.ndim == 2 else got.transpose(1, 2, 0), made)
