"""Multi-page TIFF against tifffile (TIFF 6.0, BigTIFF): compression, byte order, planes, palettes of page kinds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_array_equal

from stacker.capture import open_capture
from stacker.simulation.writing import write_capture

RNG = np.random.default_rng(14)


@pytest.mark.parametrize("dtype", ["u1", "u2", "i2", "u4", "f2", "f4", "f8"])
@pytest.mark.parametrize("options", [{}, {"bigtiff": True}, {"byteorder": ">"}, {"imagej": True}], ids=str)
def test_pages_equal_tifffiles(tmp_path: Path, dtype: str, options: dict[str, Any]) -> None:
    """Every number format, either byte order, BigTIFF and one-directory stacks."""
    if options.get("imagej") and dtype not in ("u1", "u2", "f4"):
        dtype = "f4"
    stack = RNG.integers(0, 120, (5, 11, 13)).astype(dtype)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, stack, photometric="minisblack", **options)
    with open_capture(path) as capture:
        assert len(capture) == 5
        assert capture.dtype == (np.dtype(dtype) if dtype in ("u1", "u2") else np.float32)
        for got, made in zip(capture, tifffile.imread(path), strict=True):
            assert_array_equal(got, made.astype(capture.dtype))


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("samples", [3, 4])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_colour_pages(tmp_path: Path, planar: str, samples: int, compression: str | None) -> None:
    """Planes side by side or apart come out as R, G, B last; transparency is dropped."""
    pages = RNG.integers(0, 65536, (4, 10, 12, samples)).astype(np.uint16)
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        for page in pages:
            stored = page if planar == "contig" else page.transpose(2, 0, 1)
            writer.write(stored, photometric="rgb", planarconfig=planar, compression=compression, metadata=None)
    with open_capture(path) as capture:
        assert capture.shape == (10, 12, 3)
        for got, made in zip(capture, pages, strict=True):
            assert_array_equal(got, made[..., :3])


@pytest.mark.parametrize("options", [{"compression": "zlib"}, {"rowsperstrip": 3}, {"tile": (16, 16)}], ids=str)
def test_pages_in_pieces(tmp_path: Path, options: dict[str, Any]) -> None:
    """Compressed, striped and tiled pages."""
    stack = RNG.integers(0, 4096, (4, 21, 33)).astype(np.uint16)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, stack, photometric="minisblack", **options)
    with open_capture(path) as capture:
        for got, made in zip(capture, stack, strict=True):
            assert_array_equal(got, made)


def test_cut_stack_knows_what_it_lost(tmp_path: Path) -> None:
    """One directory for all frames: the description tells how many there should be."""
    stack = RNG.integers(0, 4096, (10, 20, 30)).astype(np.uint16)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, stack, imagej=True)
    with tifffile.TiffFile(path) as tiff:
        start = tiff.pages[0].dataoffsets[0]
    path.write_bytes(path.read_bytes()[: start + 6 * 1200 + 700])
    with open_capture(path) as capture:
        assert (len(capture), capture.frames_lost) == (6, 4)
        assert_array_equal(capture.get_frame(5), stack[5])


def test_thumbnail_page_is_ignored(tmp_path: Path) -> None:
    """A page of another size is no frame, and is mentioned."""
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        for size in (40, 40, 10, 40):
            writer.write(np.full((size, size), size, np.uint8), photometric="minisblack", contiguous=False)
    with open_capture(path) as capture:
        assert (len(capture), capture.shape) == (3, (40, 40))
        assert any("1 pages of another size" in note for note in capture.notes)


def test_tifffile_reads_what_we_write(tmp_path: Path) -> None:
    """Pages come back in order and untouched."""
    frames = [RNG.normal(0, 1, (9, 8)).astype(np.float32) for _ in range(3)]
    path = write_capture(tmp_path / "a.tif", frames, kind="tiff", bits=32)
    with tifffile.TiffFile(path) as tiff:
        assert_array_equal(np.stack([page.asarray() for page in tiff.pages]), np.stack(frames))
