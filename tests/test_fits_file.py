"""FITS files of a run, read back by astropy with every check it has."""

import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from stacker.capture import Camera, Circumstances, Telescope
from stacker.fits_card import cards
from stacker.fits_file import Hdu, add_checksums, checksum, encode_checksum, write_fits
from stacker.run_folder.header import image_header


def _image(*shape: int) -> np.ndarray:
    return np.random.default_rng(1).normal(100, 9, shape).astype(np.float32)


@pytest.mark.parametrize("shape", [(5, 7), (480, 640), (6, 9, 3)])
def test_astropy_reads_back_the_same_pixels_and_checksums(tmp_path: Path, shape: tuple[int, ...]) -> None:
    """astropy's `verify` and its checksum test are silent, and rows stay top-down (FITS standard 4.0)."""
    image = _image(*shape)
    image.flat[0] = np.nan
    path = tmp_path / "stack.fits"
    header = {
        "OBJECT": ("model planet", "target"),
        "SCALE": (0.12345, "[arcsec/px]"),
        "NFRAMES": (7, ""),
        "LOW": (1e-12, ""),
    }
    write_fits(path, [Hdu(image, header), Hdu(2 * image, {}, "VARIANCE"), Hdu(3 * image, {}, "COVERAGE")])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(path, checksum=True) as opened:
            opened.verify("exception")
            for factor, name in ((1, 0), (2, "VARIANCE"), (3, "COVERAGE")):
                data = opened[name].data
                data = data if data.ndim == 2 else np.moveaxis(data, 0, 2)
                np.testing.assert_array_equal(data, factor * image)
                assert "CHECKSUM" in opened[name].header
            assert opened[0].header["OBJECT"] == "model planet"
            assert (opened[0].header["SCALE"], opened[0].header["LOW"]) == (0.12345, 1e-12)
    assert path.stat().st_size % 2880 == 0


@pytest.mark.parametrize(
    "value",
    [
        "",
        "it's",
        "x" * 68,
        "x" * 69,
        "'" * 100,
        "a'b" * 70,
        "Ångström café",
        -1.5e-300,
        2**40,
        True,
        float("nan"),
        None,
    ],
)
def test_any_value_survives_as_the_standard_allows(value: object) -> None:
    """Quotes, long text (CONTINUE, FITS 4.0 section 4.2.1.2) and numbers come back; accents go, NaN is blank."""
    text = "".join(cards("KEYWORD", value, "a comment"))  # type: ignore[arg-type]
    assert len(text) % 80 == 0
    header = fits.Header.fromstring(text)
    read = header["KEYWORD"]
    if value == "Ångström café":
        assert read == "Angstrom cafe"
    elif value is None or value != value:
        assert read is None
    else:
        assert read == value


def test_a_changed_bit_breaks_the_checksum(tmp_path: Path) -> None:
    path = tmp_path / "stack.fits"
    write_fits(path, [Hdu(_image(20, 20))])
    data = bytearray(path.read_bytes())
    data[2880 + 100] ^= 1
    path.write_bytes(data)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        fits.open(path, checksum=True).close()
    assert {str(one.message).split(" for ")[0] for one in caught} == {
        "Checksum verification failed",
        "Datasum verification failed",
    }


def test_the_standards_own_checksum_example() -> None:
    """868229149 is written "hcHjjc9ghcEghc9g" (FITS standard 4.0, appendix J.2, from memory)."""
    assert encode_checksum(868229149) == "hcHjjc9ghcEghc9g"


def test_ones_complement_sums_do_not_depend_on_the_cut() -> None:
    data = np.random.default_rng(2).integers(0, 256, 4000, np.uint8).tobytes()
    assert add_checksums(checksum(data[:1200]), checksum(data[1200:])) == checksum(data)
    assert checksum(b"\xff" * 8) == 0xFFFFFFFF


def test_the_header_says_what_is_known_and_nothing_else() -> None:
    """DATE-OBS is the start, XPOSURE all of the exposure (FITS standard 4.0, sections 4.4.2.2 and 9.7)."""
    known = Circumstances(
        target="model planet",
        start_utc="2031-04-05T21:30:00Z",
        exposure_s=0.01,
        telescope=Telescope(name="twelve inch", aperture_mm=300.0, focal_length_mm=4500.0),
        camera=Camera(pixel_um=2.9),
    )
    header = image_header(known, capture_name="é.avi", frames_total=500, frames_used=100, scale_arcsec_per_px=0.133)
    values = {keyword: value for keyword, (value, _) in header.items()}
    assert values["DATE-OBS"] == "2031-04-05T21:30:00"
    assert (values["EXPTIME"], values["XPOSURE"]) == (0.01, 1.0)
    assert (values["APTDIA"], values["FOCALLEN"], values["XPIXSZ"]) == (300.0, 4500.0, 2.9)
    assert not {"FILTER", "SITENAME", "INSTRUME", "INSHA256"} & set(values)
