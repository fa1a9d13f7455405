"""Uncompressed AVI against FFmpeg, and what FFmpeg gets wrong against the bytes themselves.

Outside: AVI RIFF file reference and *OpenDML AVI File Format Extensions* 1.02 (from memory), FFmpeg through PyAV.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.testing import assert_array_equal
from numpy.typing import NDArray

from stacker.capture import CaptureError, open_capture
from stacker.capture import positioned as positioned_module
from stacker.simulation.writing import write_capture

RNG = np.random.default_rng(12)


def gray(count: int, shape: tuple[int, ...] = (10, 13), top: int = 256, dtype: Any = np.uint8) -> list[NDArray[Any]]:
    return [RNG.integers(0, top, shape).astype(dtype) for _ in range(count)]


@pytest.mark.parametrize("kind", ["avi", "avi-bottom-up", "avi-colour"])
@pytest.mark.parametrize("width", [12, 13, 14, 15])
def test_ffmpeg_reads_what_we_write(tmp_path: Path, kind: str, width: int) -> None:
    """Row order, padding of rows to four bytes and colour order are those FFmpeg knows."""
    shape = (9, width, 3) if kind == "avi-colour" else (9, width)
    frames = gray(3, shape)
    path = write_capture(tmp_path / "a.avi", frames, kind=kind, bits=8)
    with av.open(str(path)) as container:
        seen = [picture.to_ndarray(format="rgb24") for picture in container.decode(video=0)]
    with open_capture(path) as capture:
        for got, other, made in zip(capture, seen, frames, strict=True):
            assert_array_equal(got, made)
            assert_array_equal(other if kind == "avi-colour" else other[..., 0], made)


@pytest.mark.parametrize(
    ("pixel_format", "dtype", "top", "bits"),
    [
        ("gray", np.uint8, 256, 8),
        ("gray16le", np.uint16, 65536, 16),
        ("bayer_rggb8", np.uint8, 256, 8),
        ("bayer_rggb16le", np.uint16, 65536, 16),
        ("bgr24", np.uint8, 256, 8),
        ("pal8", np.uint8, 256, 8),
    ],
)
def test_raw_avi_written_by_ffmpeg(tmp_path: Path, pixel_format: str, dtype: Any, top: int, bits: int) -> None:
    """FFmpeg takes its own 16-bit gray for rgb555 and its Bayer for palettes; the payload is read here all the same."""
    width, height = 14, 10
    path = tmp_path / "a.avi"
    shape = (height, width, 3) if pixel_format == "bgr24" else (height, width)
    frames = gray(4, shape, top, dtype)
    colours = RNG.integers(0, 256, (256, 3)).astype(np.uint8)
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("rawvideo", rate=50)
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        for frame in frames:
            picture = av.VideoFrame(width, height, pixel_format)
            line = picture.planes[0].line_size
            rows = np.zeros((height, line), np.uint8)
            payload = frame.view(np.uint8).reshape(height, -1)
            rows[:, : payload.shape[1]] = payload
            picture.planes[0].update(rows.tobytes())
            if pixel_format == "pal8":
                table = np.concatenate([colours[:, ::-1], np.full((256, 1), 255, np.uint8)], axis=1)
                picture.planes[1].update(np.ascontiguousarray(table).tobytes())
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    with open_capture(path) as capture:
        assert (len(capture), capture.bits, capture.frames_lost) == (4, bits, 0)
        for got, made in zip(capture, frames, strict=True):
            if pixel_format == "pal8":
                assert_array_equal(got, colours[made])
            else:
                assert_array_equal(got, made[..., ::-1] if pixel_format == "bgr24" else made)


def with_palette(data: bytes, palette: NDArray[np.uint8]) -> bytes:
    """Put (256, 3) RGB in place of the gray ramp that the writer stores."""
    place = data.index(b"strf") + 8 + 40
    table = np.zeros((256, 4), np.uint8)
    table[:, :3] = palette[:, ::-1]
    return data[:place] + table.tobytes() + data[place + 1024 :]


def test_palettes(tmp_path: Path) -> None:
    """A gray palette gives its values, a coloured one colours; FFmpeg agrees."""
    frames = gray(3)
    path = write_capture(tmp_path / "a.avi", frames, kind="avi-bottom-up", bits=8)
    data = path.read_bytes()
    inverse = np.repeat(255 - np.arange(256, dtype=np.uint8)[:, np.newaxis], 3, axis=1)
    coloured = RNG.integers(0, 256, (256, 3)).astype(np.uint8)
    for palette in (inverse, coloured):
        path.write_bytes(with_palette(data, palette))
        with av.open(str(path)) as container:
            seen = [picture.to_ndarray(format="rgb24") for picture in container.decode(video=0)]
        with open_capture(path) as capture:
            for got, other, made in zip(capture, seen, frames, strict=True):
                assert_array_equal(other, palette[made])
                assert_array_equal(got, palette[made][..., 0] if palette is inverse else palette[made])


@pytest.mark.parametrize("code", [b"Y16 ", b"Y1\0\x10", b"Y12 ", b"BYR2", b"\xbaRG\x10", b"RG12"])
def test_sixteen_bit_codes(tmp_path: Path, code: bytes) -> None:
    """The four-character codes in use for 16-bit gray and mosaic (common practice and FFmpeg's list; from memory)."""
    frames = gray(3, top=4096, dtype=np.uint16)
    path = write_capture(tmp_path / "a.avi", frames, kind="avi-16", bits=12)
    path.write_bytes(path.read_bytes().replace(b"Y16 ", code))
    mosaics = {b"BYR2": "BGGR", b"\xbaRG\x10": "RGGB", b"RG12": "RGGB"}
    with open_capture(path) as capture:
        assert capture.mosaic == mosaics.get(code)
        assert capture.bits == 12
        for got, made in zip(capture, frames, strict=True):
            assert_array_equal(got, made)


def test_many_segments(tmp_path: Path) -> None:
    """Frames of all OpenDML segments are found, in order; FFmpeg finds as many."""
    frames = gray(40)
    path = write_capture(tmp_path / "a.avi", frames, kind="avi", bits=8, segment_bytes=1500)
    assert path.read_bytes().count(b"AVIX") == 4
    with open_capture(path) as capture:
        assert capture.frames_lost == 0
        for got, made in zip(capture, frames, strict=True):
            assert_array_equal(got, made)
    with av.open(str(path)) as container:
        assert sum(1 for packet in container.demux(video=0) if packet.size) == 40


def test_frames_beyond_four_gigabytes(tmp_path: Path) -> None:
    """Places do not wrap at 2 or 4 GB: two holes of 2.3 GB (a sparse file) stand between two segments."""
    frames = gray(20)
    source = write_capture(tmp_path / "a.avi", frames, kind="avi", bits=8, segment_bytes=2000).read_bytes()
    second = source.index(b"AVIX") - 8
    path = tmp_path / "big.avi"
    hole = 2_300_000_000
    with path.open("wb") as file:
        file.write(source[:second])
        for _ in range(2):
            file.write(struct.pack("<4sI", b"JUNK", hole))
            file.seek(hole, 1)
        file.write(source[second:])
    with open_capture(path) as capture:
        assert len(capture) == 20
        assert_array_equal(capture.get_frame(19), frames[19])
        assert_array_equal(capture.get_frame(0), frames[0])
    path.unlink()


def test_recording_still_growing(tmp_path: Path) -> None:
    """Sizes and counts still zero, the last frame half written: the whole ones are given, the begun one counted."""
    frames = gray(6)
    path = write_capture(tmp_path / "a.avi", frames, kind="avi", bits=8)
    data = bytearray(path.read_bytes())
    data[4:8] = bytes(4)
    movi = data.index(b"movi")
    data[movi - 4 : movi] = bytes(4)
    data[48:52] = bytes(4)
    for place in (data.index(b"strh") + 8 + 32, data.index(b"dmlh") + 8):
        data[place : place + 4] = bytes(4)
    path.write_bytes(data[:-40])
    with open_capture(path) as capture:
        assert (len(capture), capture.frames_lost) == (5, 1)
        assert_array_equal(capture.get_frame(4), frames[4])


def test_dropped_frames_keep_their_time(tmp_path: Path) -> None:
    """An empty chunk is a frame that the camera dropped: counted as lost, and the later ones keep their times."""
    path = write_capture(tmp_path / "a.avi", gray(5), kind="avi", bits=8, fps=10.0)
    data = path.read_bytes()
    chunk = b"00dc" + struct.pack("<I", 130)
    third = [place for place in range(len(data)) if data[place : place + 8] == chunk][2]
    path.write_bytes(data[:third] + b"00dc" + bytes(4) + b"JUNK" + struct.pack("<I", 122) + data[third + 16 :])
    (tmp_path / "a.toml").write_text('[capture]\nstart_utc = "2031-04-05T21:30:00Z"\n')
    with open_capture(path) as capture:
        assert (len(capture), capture.frames_lost) == (4, 1)
        assert capture.times_utc is not None
        assert_array_equal(np.diff(capture.times_utc) // np.timedelta64(1, "ms"), [100, 200, 100])


def test_reads_without_preadv(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system has no positioned reads (Windows), seek and read give the same."""
    monkeypatch.setattr(positioned_module, "_HAS_POSITIONED_READS", False)
    frames = gray(5)
    path = write_capture(tmp_path / "a.avi", frames, kind="avi-bottom-up", bits=8)
    with open_capture(path) as capture:
        for index in (3, 0, 4):
            assert_array_equal(capture.get_frame(index), frames[index])


def test_reading_after_closing_is_a_clear_error(tmp_path: Path) -> None:
    """No stale descriptor is read."""
    capture = open_capture(write_capture(tmp_path / "a.avi", gray(2), kind="avi", bits=8))
    capture.close()
    with pytest.raises(CaptureError, match="closed"):
        capture.get_frame(0)


def test_file_shrinking_while_read(tmp_path: Path) -> None:
    """A capture cut after opening gives a clear error, not rubbish."""
    path = write_capture(tmp_path / "a.avi", gray(3), kind="avi", bits=8)
    with open_capture(path) as capture:
        with path.open("r+b") as file:
            file.truncate(path.stat().st_size - 50)
        with pytest.raises(CaptureError, match="shorter"):
            capture.get_frame(2)
