"""Compressed video against FFmpeg's own decoding through PyAV: FFV1 (RFC 9043), Matroska (RFC 9559), H.264."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.testing import assert_array_equal
from numpy.typing import NDArray

from stacker.capture import open_capture

RNG = np.random.default_rng(13)


def encode(
    path: Path,
    codec: str,
    pixel_format: str,
    frames: list[NDArray[Any]],
    source: str,
    stamps: list[int] | None = None,
    **options: str,
) -> None:
    """Encode with PyAV directly, without anything of this project."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(codec, rate=50)
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt, stream.options = pixel_format, options
        for number, frame in enumerate(frames):
            picture = av.VideoFrame.from_ndarray(frame, format=source)
            picture.pts = number if stamps is None else stamps[number]
            picture.time_base = Fraction(1, 50)
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))


def moving(count: int, colour: bool = False) -> list[NDArray[Any]]:
    rows, columns = np.mgrid[:48, :64]
    scene = 128 + 80 * np.sin(rows / 5) * np.sin(columns / 7)
    made = [
        np.clip(np.roll(scene, 2 * k, 1) + RNG.normal(0, 2, scene.shape), 0, 255).astype(np.uint8) for k in range(count)
    ]
    return [np.dstack([f, f // 2, 255 - f]) for f in made] if colour else made


def decoded(path: Path, native: str | None = None) -> list[NDArray[Any]]:
    with av.open(str(path)) as container:
        return [
            picture.to_ndarray(format=native) if native else picture.to_ndarray()
            for picture in container.decode(video=0)
        ]


@pytest.mark.parametrize("ending", [".mp4", ".mov", ".mkv", ".avi"])
@pytest.mark.parametrize("b_frames", ["0", "3"])
def test_random_access_between_key_frames(tmp_path: Path, ending: str, b_frames: str) -> None:
    """Predicted frames in any order are those of a plain decode, with and without frames stored out of order."""
    path = tmp_path / f"a{ending}"
    encode(path, "libx264", "yuv420p", moving(90), "gray", g="25", bf=b_frames)
    luma = [array[:48] for array in decoded(path)]
    order = RNG.permutation(90)[:30]
    with open_capture(path) as capture:
        assert len(capture) == len(luma) == 90
        for index in order:
            assert_array_equal(capture.get_frame(int(index)), luma[index])
        for index, frame in capture.read([3, 40, 41, 88]):
            assert_array_equal(frame, luma[index])


@pytest.mark.parametrize("ending", [".mp4", ".mkv", ".avi"])
@pytest.mark.parametrize("open_gop", ["0", "1"])
def test_what_is_passed_on_the_way_is_kept_whole(tmp_path: Path, ending: str, open_gop: str) -> None:
    """Frames met between the wanted ones are those of a plain decode, also where some refer across a key frame."""
    path = tmp_path / f"a{ending}"
    encode(
        path, "libx264", "yuv420p", moving(120), "gray", **{"g": "25", "bf": "3", "x264-params": f"open-gop={open_gop}"}
    )
    luma = [array[:48] for array in decoded(path)]
    with open_capture(path) as capture:
        capture.decode_once()
        for index in (118, 60, 33, 80, 10):
            assert_array_equal(capture.get_frame(index), luma[index])
        for got, other in zip(capture, luma, strict=True):
            assert_array_equal(got, other)
        assert capture.has_random_access


@pytest.mark.parametrize(
    ("codec", "pixel_format", "ending", "bits", "full_scale"),
    [
        ("ffv1", "gray", ".mkv", 8, 255),
        ("ffv1", "gray10le", ".mkv", 10, 1023),
        ("ffv1", "gray12le", ".mkv", 12, 4095),
        ("ffv1", "gray16le", ".mkv", 16, 65535),
        ("ffv1", "gray16le", ".avi", 16, 65535),
        ("ffv1", "gray16le", ".nut", 16, 65535),
    ],
)
def test_gray_is_lossless(
    tmp_path: Path, codec: str, pixel_format: str, ending: str, bits: int, full_scale: int
) -> None:
    """Native gray of every depth comes out value for value, depth as the format names it; odd width pads rows."""
    dtype = np.uint8 if bits == 8 else np.uint16
    frames = [RNG.integers(0, full_scale + 1, (31, 45)).astype(dtype) for _ in range(5)]
    path = tmp_path / f"a{ending}"
    encode(path, codec, pixel_format, frames, pixel_format)
    with open_capture(path) as capture:
        assert (capture.bits, capture.full_scale, capture.dtype) == (bits, full_scale, dtype)
        for got, made in zip(capture, frames, strict=True):
            assert_array_equal(got, made)


def test_full_range_luma_of_motion_jpeg(tmp_path: Path) -> None:
    """Void chroma gives the luma plane; full range keeps 255 as its ceiling."""
    path = tmp_path / "a.avi"
    encode(path, "mjpeg", "yuvj420p", moving(6), "gray", qmin="1", qmax="2")
    luma = [array[:48] for array in decoded(path)]
    with open_capture(path) as capture:
        assert (capture.shape, capture.full_scale) == ((48, 64), 255)
        for got, other in zip(capture, luma, strict=True):
            assert_array_equal(got, other)


def test_colour_is_what_ffmpeg_converts(tmp_path: Path) -> None:
    """Chroma in use gives RGB, as FFmpeg's own conversion makes it."""
    path = tmp_path / "a.mp4"
    encode(path, "libx264", "yuv420p", moving(6, colour=True), "rgb24")
    expected = decoded(path, "rgb24")
    with open_capture(path) as capture:
        assert capture.shape == (48, 64, 3)
        for got, other in zip(capture, expected, strict=True):
            assert_array_equal(got, other)


def test_uncompressed_y4m(tmp_path: Path) -> None:
    """A container that begins with text and goes on in bytes is no text file."""
    path = tmp_path / "a.y4m"
    encode(path, "wrapped_avframe", "gray", moving(4), "gray")
    with open_capture(path) as capture:
        assert len(capture) == 4


def test_uneven_times_are_the_containers(tmp_path: Path) -> None:
    """Where frames were dropped the time stamps say so (1 ms resolution in Matroska)."""
    path = tmp_path / "a.mkv"
    encode(path, "ffv1", "gray", moving(5), "gray", stamps=[0, 1, 2, 7, 8])
    (tmp_path / "a.toml").write_text('[capture]\nstart_utc = "2031-04-05T21:30:00Z"\n')
    with open_capture(path) as capture:
        assert capture.times_utc is not None
        assert_array_equal(np.diff(capture.times_utc) // np.timedelta64(1, "ms"), [20, 20, 100, 20])


def test_cut_compressed_avi(tmp_path: Path) -> None:
    """FFmpeg hands on the half-written last packet of a cut AVI; only whole ones are frames."""
    path = tmp_path / "a.avi"
    encode(path, "ffv1", "gray", moving(8), "gray", g="1")
    whole = decoded(path)
    with av.open(str(path)) as container:
        places = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size]
    path.write_bytes(path.read_bytes()[: places[5][0] + places[5][1] // 2])
    with open_capture(path) as capture:
        assert (len(capture), capture.frames_lost) == (5, 3)
        for got, made in zip(capture, whole, strict=False):
            assert_array_equal(got, made)


def test_damaged_frame_does_not_end_the_capture(tmp_path: Path) -> None:
    """A packet of rubbish in the middle: that frame black and noted, all others as they were."""
    path = tmp_path / "a.mkv"
    encode(path, "ffv1", "gray", moving(8), "gray", slicecrc="1", g="1")
    whole = decoded(path)
    with av.open(str(path)) as container:
        packets = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size]
    data = bytearray(path.read_bytes())
    place, size = packets[4]
    begin = place + 16
    data[begin : begin + size - 32] = bytes(size - 32)
    path.write_bytes(data)
    with open_capture(path) as capture:
        assert len(capture) == 8
        capture.decode_once()
        for index, frame in [*enumerate(capture), *enumerate(capture)]:
            assert_array_equal(frame, whole[index] if index != 4 else np.zeros_like(frame))
        assert capture.has_random_access
        assert capture.notes == ("frame 4 cannot be decoded and is delivered black",)


def test_no_words_on_standard_error(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """FFmpeg's own messages do not reach the user."""
    path = tmp_path / "a.mkv"
    encode(path, "ffv1", "gray", moving(8), "gray")
    path.write_bytes(path.read_bytes()[:-500])
    capfd.readouterr()
    with open_capture(path) as capture:
        list(capture)
    assert capfd.readouterr() == ("", "")
