"""What the user says about a capture: precedence, checks, round trip."""

from __future__ import annotations

import tomllib
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from stacker.capture import Camera, CaptureError, Circumstances, Site, Telescope, open_capture
from stacker.capture.sidecar import circumstances_from_tables, read_sidecar, sidecar_path, sidecar_text
from stacker.simulation.writing import write_capture, write_sidecar

FULL = Circumstances(
    target='Jupiter "belts" ö',
    start_utc="2031-04-05T21:30:00.000000Z",
    exposure_s=0.008,
    filter="green",
    wavelength_nm=540.0,
    telescope=Telescope("Grosse Röhre", 250.0, 3750.0, 75.0),
    camera=Camera("camera \\ 1", 3.0, "RGGB", 0.25, 12),
    site=Site("terrace", 48.2, -11.5, 520.0),
)


def gray_frames() -> list[np.ndarray[tuple[int, ...], np.dtype[np.uint16]]]:
    return [np.full((6, 8), value, np.uint16) for value in (100, 200, 300)]


def test_round_trip(tmp_path: Path) -> None:
    """What is written is read back, quotes, backslash and accents included."""
    path = write_sidecar(tmp_path / "capture.avi", FULL)
    assert path == tmp_path / "capture.toml"
    assert read_sidecar(path) == FULL


def test_keys_are_the_contract() -> None:
    """Tables and keys are exactly those that users were promised."""
    promised = {
        Circumstances: "target start_utc exposure_s filter wavelength_nm dark flat bias telescope camera site",
        Telescope: "name aperture_mm focal_length_mm obstruction_mm",
        Camera: "name pixel_um mosaic gain_e_per_adu bits north_angle_deg mirrored temperature_c",
        Site: "name latitude_deg longitude_deg elevation_m",
    }
    for record, names in promised.items():
        assert [item.name for item in fields(record)] == names.split()  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["fits", "fits-folder"])
def test_overrides_beat_sidecar_beats_night_beats_header(tmp_path: Path, kind: str) -> None:
    """Each level wins over the next, key by key, for a file and for a folder."""
    path = tmp_path / ("frames" if kind == "fits-folder" else "one.fits")
    header = Circumstances(
        target="header", filter="header", exposure_s=0.5, telescope=Telescope("header", 100.0, 900.0)
    )
    write_capture(path, gray_frames(), kind=kind, bits=12, circumstances=header)
    (tmp_path / "night.toml").write_text(
        '[capture]\nfilter = "night"\n[telescope]\nname = "night"\naperture_mm = 200\n[site]\nname = "night"\n'
    )
    sidecar_path(path).write_text('[telescope]\nname = "sidecar"\n[site]\nelevation_m = 5\n')
    with open_capture(path, Circumstances(site=Site(elevation_m=7.0))) as capture:
        found = capture.circumstances
    assert found.target == "header"
    assert found.filter == "night"
    assert found.exposure_s == 0.5
    assert found.telescope == Telescope("sidecar", 200.0, 900.0)
    assert found.site == Site("night", elevation_m=7.0)


def test_mosaic_and_bits_reach_the_capture(tmp_path: Path) -> None:
    """camera.mosaic marks one-plane data as raw; camera.bits sets depth and full scale."""
    path = write_capture(tmp_path / "a.tif", gray_frames(), kind="tiff", bits=16)
    write_sidecar(path, Circumstances(camera=Camera(mosaic="GBRG", bits=10)))
    with open_capture(path) as capture:
        assert (capture.mosaic, capture.bits, capture.full_scale) == ("GBRG", 10, 1023)


def test_sidecars_mosaic_beats_the_headers(tmp_path: Path) -> None:
    """A camera program that wrote the wrong pattern is put right by the user."""
    path = write_capture(tmp_path / "a.fits", gray_frames(), kind="fits", bits=12, mosaic="RGGB")
    write_sidecar(path, Circumstances(camera=Camera(mosaic="BGGR")))
    with open_capture(path) as capture:
        assert capture.mosaic == "BGGR"


def test_mosaic_on_full_colour_is_ignored_with_a_note(tmp_path: Path) -> None:
    """Three planes hold no mosaic, whatever the sidecar says."""
    frames = [np.zeros((6, 8, 3), np.uint8)]
    path = write_capture(tmp_path / "a.tif", frames, kind="tiff", bits=8)
    write_sidecar(path, Circumstances(camera=Camera(mosaic="GBRG")))
    with open_capture(path) as capture:
        assert capture.mosaic is None
        assert any("GBRG ignored" in note for note in capture.notes)


def test_calibration_files_are_relative_to_the_sidecar(tmp_path: Path) -> None:
    """A night's darks are named once, from wherever the program is started."""
    path = tmp_path / "night.toml"
    path.write_text('[capture]\ndark = "masters/dark.fits"\n')
    assert read_sidecar(path).dark == str(tmp_path / "masters" / "dark.fits")


@pytest.mark.parametrize("text", ["2031-04-05T23:30:00+02:00", "2031-04-05 21:30:00", "2031-04-05T21:30:00.000Z"])
def test_times_are_utc(tmp_path: Path, text: str) -> None:
    """A zone is converted, none means UTC; TOML's own date-time type will do too."""
    for line in (f'start_utc = "{text}"', f"start_utc = {text}"):
        tables = tomllib.loads(f"[capture]\n{line}\n")
        assert circumstances_from_tables(tables, tmp_path).start_utc == "2031-04-05T21:30:00.000000Z"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[telescop]\nname = 'x'", "unknown table [telescop]; did you mean 'telescope'?"),
        ("[camera]\npixel_size = 3.0", "unknown key 'pixel_size' in [camera]; did you mean 'pixel_um'?"),
        ("[capture]\nstart = 1", "did you mean 'start_utc'?"),
        ("[site]\nzzz = 1", "known are name, latitude_deg, longitude_deg, elevation_m"),
        ("[capture]\ntelescope = 'big'", "unknown key 'telescope' in [capture]"),
        ("[capture]\naperture_mm = 250", "unknown key 'aperture_mm' in [capture]; it belongs in [telescope]"),
        ("target = 'Mars'", "unknown table [target]"),
        ("camera = 'small'", "write it as a table [camera]"),
        ("[telescope]\naperture_mm = '250'", "[telescope] aperture_mm is '250'; give a number"),
        ("[telescope]\naperture_mm = true", "give a number"),
        ("[telescope]\naperture_mm = -250", "give millimetres, 10 or more"),
        ("[telescope]\naperture_mm = nan", "give millimetres, 10 or more"),
        ("[telescope]\naperture_mm = 0.25", "aperture_mm is 0.25; give millimetres, 10 or more"),
        ("[telescope]\nfocal_length_mm = 3.6", "focal_length_mm is 3.6; give millimetres, 50 or more"),
        ("[camera]\npixel_um = 0.0029", "pixel_um is 0.0029; give micrometres, 0.1 or more"),
        ("[camera]\nbits = 12.0", "give a whole number"),
        ("[camera]\nmosaic = 'RGBG'", "did you mean"),
        ("[camera]\nname = 7", "give text in quotes"),
        ("[site]\nlatitude_deg = 95", "give -90 to 90 degrees"),
        ("[capture]\nstart_utc = 'yesterday'", "give UTC as"),
        ("[capture]\nstart_utc = 2031", "give UTC as"),
        ("[capture\n", "is not valid TOML"),
        ("[capture]\ntarget = '\xff'", "is not UTF-8"),
    ],
)
def test_wrong_sidecar_is_one_clear_line(tmp_path: Path, text: str, words: str) -> None:
    """The error names the sidecar, the place and what to write instead."""
    path = write_capture(tmp_path / "a.tif", gray_frames(), kind="tiff", bits=12)
    (tmp_path / "a.toml").write_bytes(text.encode("latin-1"))
    with pytest.raises(CaptureError) as caught:
        open_capture(path)
    message = str(caught.value)
    assert words in message
    assert message.startswith(str(tmp_path / "a.toml"))
    assert "\n" not in message


def test_what_is_written_reads_back(tmp_path: Path) -> None:
    """Text with quotes, numbers, true and false; what is not known is left out."""
    known = Circumstances(
        target='the "old" moon',
        exposure_s=0.012,
        telescope=Telescope(aperture_mm=254.0),
        camera=Camera(bits=12, north_angle_deg=-31.5, mirrored=True),
    )
    path = tmp_path / "night.toml"
    path.write_text(sidecar_text(known), encoding="utf-8")
    assert read_sidecar(path) == known
    assert sidecar_text(Circumstances()) == ""
