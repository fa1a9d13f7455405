"""One suite over every format that is read: length, shape, values, order, buffers, threads, cut files.

Values are judged against what was written; that the files themselves are what they claim is judged by astropy
(FITS standard 4.0), tifffile (TIFF 6.0), FFmpeg through PyAV (FFV1, RFC 9043; Matroska, RFC 9559; AVI with the OpenDML
extensions 1.02) and OpenCV in tests/capture.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import tifffile
from numpy.testing import assert_array_equal
from numpy.typing import NDArray

from stacker.capture import Camera, Capture, CaptureError, Circumstances, open_capture
from stacker.simulation.writing import KINDS, write_capture, write_sidecar

COUNT = 9
HEIGHT, WIDTH = 46, 62


@dataclass(frozen=True)
class Case:
    """One format: how it is written and what it must give back."""

    kind: str
    dtype: str
    colour: bool = False
    mosaic: str | None = None
    lossless: bool = True

    @property
    def bits(self) -> int:
        return {"u1": 8, "u2": 12, "f4": 32}[self.dtype]

    def frames(self) -> list[NDArray[Any]]:
        """Smooth pictures plus noise, all different, odd rows and columns told apart."""
        rng = np.random.default_rng(7)
        rows, columns = np.mgrid[:HEIGHT, :WIDTH]
        scene = 120 + 60 * np.sin(rows / 9) * np.cos(columns / 13) + columns / 3
        made = []
        for number in range(COUNT):
            frame = np.roll(scene, number, axis=1) + rng.normal(0, 3, scene.shape)
            if self.colour:
                frame = np.stack([frame, 0.6 * frame, 0.3 * frame + 40], axis=-1)
            scaled = frame * 16 if self.dtype == "u2" else frame
            made.append(scaled.astype(np.dtype(self.dtype)))
        return made


CASES = [
    Case("avi", "u1"),
    Case("avi", "u1", mosaic="GRBG"),
    Case("avi-bottom-up", "u1"),
    Case("avi-16", "u2"),
    Case("avi-16", "u2", mosaic="RGGB"),
    Case("avi-colour", "u1", colour=True),
    Case("ffv1", "u1"),
    Case("ffv1", "u2"),
    Case("ffv1", "u1", colour=True),
    Case("ffv1", "u2", colour=True),
    Case("h264", "u1", lossless=False),
    Case("h264", "u1", colour=True, lossless=False),
    Case("mov", "u1", lossless=False),
    Case("fits", "u1"),
    Case("fits", "u2"),
    Case("fits", "u2", mosaic="BGGR"),
    Case("fits", "f4"),
    Case("fits", "u2", colour=True),
    Case("fits-folder", "u2"),
    Case("fits-folder", "f4", colour=True),
    Case("tiff", "u1"),
    Case("tiff", "u2"),
    Case("tiff", "f4"),
    Case("tiff", "u2", colour=True),
    Case("tiff-folder", "u2"),
    Case("tiff-folder", "f4"),
    Case("png", "u1"),
    Case("png", "u2"),
    Case("png", "u2", colour=True),
    Case("jpeg", "u1", lossless=False),
    Case("jpeg", "u1", colour=True, lossless=False),
]
FOLDERS = [case for case in CASES if case.kind.endswith("folder") or case.kind in ("png", "jpeg")]
SINGLE_FILES = [case for case in CASES if case not in FOLDERS and case.kind not in ("h264", "mov")]
"""In the two left out, the places of the frames stand at the end: cut, they hold none (see test_bad_input.py)."""


def name_of(case: Case) -> str:
    return f"{case.kind}-{case.dtype}{'-colour' if case.colour else ''}{'-' + case.mosaic if case.mosaic else ''}"


@pytest.fixture(scope="module", params=CASES, ids=name_of)
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, Path]:
    """Write the case once; the name has an accent, a space and a misleading ending."""
    case: Case = request.param
    path = tmp_path_factory.mktemp("written") / "Été 1.txt"
    write_capture(path, iter(case.frames()), kind=case.kind, bits=case.bits, mosaic=case.mosaic, fps=25.0)
    return case, path


def test_every_kind_is_covered() -> None:
    """A format that can be written and is not in the suite would be unchecked."""
    assert {case.kind for case in CASES} == set(KINDS)


def test_length_shape_and_kind(written: tuple[Case, Path]) -> None:
    """The records tell what was written."""
    case, path = written
    with open_capture(path) as capture:
        assert len(capture) == COUNT
        assert capture.shape == ((HEIGHT, WIDTH, 3) if case.colour else (HEIGHT, WIDTH))
        assert capture.dtype == np.dtype(case.dtype)
        assert capture.bits == case.bits
        assert capture.frames_lost == 0
        assert capture.mosaic == case.mosaic
        if case.lossless:
            assert capture.full_scale == {"u1": 255, "u2": 4095, "f4": np.inf}[case.dtype]


def test_values_are_what_was_written(written: tuple[Case, Path]) -> None:
    """Lossless formats give every value back; lossy ones the picture, in its place, colours in order."""
    case, path = written
    expected = case.frames()
    with open_capture(path) as capture:
        for got, made in zip(capture, expected, strict=True):
            assert got.dtype == capture.dtype
            if case.lossless:
                assert_array_equal(got, made)
            else:
                assert_looks_like(got, made)


def assert_looks_like(got: NDArray[Any], made: NDArray[Any]) -> None:
    """Up to black level and gain (video luma runs from 16 to 235), each channel is the one that was written."""
    channels = [(got, made)] if made.ndim == 2 else [(got[..., c], made[..., c]) for c in range(3)]
    for got_channel, made_channel in channels:
        x, y = made_channel.ravel().astype(float), got_channel.ravel().astype(float)
        slope, intercept = np.polyfit(x, y, 1)
        # 5 of 255: chroma at half resolution and the codec's own loss on 3 levels of noise.
        assert np.std(y - slope * x - intercept) < 5
        assert 0.7 < slope < 1.15


def test_iteration_read_and_get_frame_agree(written: tuple[Case, Path]) -> None:
    """Whatever the way and the order, frame k is frame k."""
    _, path = written
    with open_capture(path) as capture:
        whole = [frame.copy() for frame in capture]
        for index in (5, 8, 0, 3, 2, 7, 1):
            assert_array_equal(capture.get_frame(index), whole[index])
        wanted = [1, 2, 6, 8]
        got = [(index, frame.copy()) for index, frame in capture.read(wanted)]
        assert [index for index, _ in got] == wanted
        for index, frame in got:
            assert_array_equal(frame, whole[index])
        assert list(capture.read([])) == []


def test_frames_can_be_kept(written: tuple[Case, Path]) -> None:
    """Frames handed out earlier do not change when later ones are read."""
    _, path = written
    with open_capture(path) as capture:
        kept = list(capture)
        for index, frame in enumerate(kept):
            assert_array_equal(frame, capture.get_frame(index))
        assert len({frame.tobytes() for frame in kept}) == COUNT


def test_out_is_filled_and_returned(written: tuple[Case, Path]) -> None:
    """A buffer given is the one that comes back, contiguous or not."""
    _, path = written
    with open_capture(path) as capture:
        out = np.empty(capture.shape, capture.dtype)
        assert capture.get_frame(4, out) is out
        assert_array_equal(out, capture.get_frame(4))
        strided = np.empty((capture.shape[0], capture.shape[1] * 2, *capture.shape[2:]), capture.dtype)[:, ::2]
        assert_array_equal(capture.get_frame(4, strided), out)
        with pytest.raises(ValueError, match="out must be"):
            capture.get_frame(4, out[:-1])
        with pytest.raises(ValueError, match="out must be"):
            capture.get_frame(4, out.astype(np.float64))  # type: ignore[arg-type]


@pytest.mark.parametrize("index", [-1, COUNT, COUNT + 1000])
def test_index_outside_is_an_index_error(written: tuple[Case, Path], index: int) -> None:
    """No wrapping round, neither by get_frame nor by read."""
    _, path = written
    with open_capture(path) as capture:
        with pytest.raises(IndexError, match="outside 0..8"):
            capture.get_frame(index)
        with pytest.raises(IndexError, match="outside 0..8"):
            list(capture.read([index]))


def test_closing_twice_is_harmless(written: tuple[Case, Path]) -> None:
    """The context manager closes; closing again does nothing; the file can be opened again."""
    _, path = written
    with open_capture(path) as capture:
        first = capture.get_frame(0)
    capture.close()
    capture.close()
    with open_capture(path) as again:
        assert_array_equal(again.get_frame(0), first)


def test_two_threads_read_the_same_frames(written: tuple[Case, Path]) -> None:
    """get_frame from several threads, each in its own order, while one iterates."""
    _, path = written
    with open_capture(path) as capture:
        whole = [frame.copy() for frame in capture]
        wrong: list[str] = []

        def look(order: list[int]) -> None:
            for index in order:
                if not np.array_equal(capture.get_frame(index), whole[index]):
                    wrong.append(f"frame {index} differs")

        def iterate() -> None:
            wrong.extend(f"turn {i}" for i, f in enumerate(capture) if not np.array_equal(f, whole[i]))

        threads = [threading.Thread(target=look, args=(order,)) for order in ([*range(COUNT)], [*range(COUNT)][::-1])]
        threads.append(threading.Thread(target=iterate))
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong == []


def test_sidecar_gives_times_and_depth(written: tuple[Case, Path], tmp_path: Path) -> None:
    """Start from the sidecar, cadence from the file where it has one; declared bits are believed."""
    case, path = written
    link = tmp_path / "capture"
    link.symlink_to(path)
    bits = None if case.dtype == "f4" else case.bits
    write_sidecar(link, Circumstances(start_utc="2031-04-05T21:30:00Z", camera=Camera(bits=bits)))
    with open_capture(link) as capture:
        assert capture.bits == case.bits
        assert not any("assumed" in note for note in capture.notes)
        if case.kind in ("tiff", "tiff-folder", "png", "jpeg", "fits-folder"):
            assert capture.times_utc is None
            return
        assert capture.times_utc is not None
        steps = np.arange(COUNT) * np.timedelta64(40000, "us")
        assert_array_equal(capture.times_utc, np.datetime64("2031-04-05T21:30:00", "us") + steps)


def whole_frames_before(case: Case, path: Path, cut: int) -> int:
    """Count the frames that end before byte `cut`, by other eyes than the reader's."""
    if case.kind == "fits":
        return int((cut - 2880) // case.frames()[0].nbytes)
    if case.kind == "tiff":
        with tifffile.TiffFile(path) as tiff:
            ends = [page.dataoffsets[-1] + page.databytecounts[-1] for page in tiff.pages]
    elif case.kind == "ffv1":
        with av.open(str(path)) as container:
            ends = [packet.pos + packet.size for packet in container.demux(video=0) if packet.size]
    else:
        data, frame, ends, place = path.read_bytes(), case.frames()[0], [], 0
        rows = -(-frame.nbytes // HEIGHT // 4) * 4 if case.kind in ("avi-bottom-up", "avi-colour") else 0
        payload = rows * HEIGHT or frame.nbytes
        marker = (b"00db" if rows else b"00dc") + payload.to_bytes(4, "little")
        while (place := data.find(marker, place)) >= 0:
            ends.append(place + 8 + payload)
            place += 8 + payload
    return sum(end <= cut for end in ends)


@pytest.mark.parametrize("written", SINGLE_FILES, ids=name_of, indirect=True)
@pytest.mark.parametrize("share", [0.6, 0.93])
def test_cut_file_gives_every_whole_frame(written: tuple[Case, Path], tmp_path: Path, share: float) -> None:
    """A file that broke off gives its whole frames, equal to those of the whole file, and counts the others."""
    case, path = written
    data = path.read_bytes()
    cut = tmp_path / "cut"
    cut.write_bytes(data[: int(len(data) * share)])
    whole = whole_frames_before(case, path, int(len(data) * share))
    assert 0 < whole < COUNT
    with open_capture(path) as complete, open_capture(cut) as capture:
        assert_prefix(capture, complete, whole)
        if case.kind == "tiff":  # its header promises nothing; only a page that began can be missed
            assert 0 <= capture.frames_lost <= COUNT - whole
        else:
            assert capture.frames_lost == COUNT - whole


@pytest.mark.parametrize("written", FOLDERS, ids=name_of, indirect=True)
def test_cut_last_picture_of_a_growing_folder(written: tuple[Case, Path], tmp_path: Path) -> None:
    """The picture being written is lost and counted; the same cut in the middle is an error that names the file."""
    _, path = written
    folder = tmp_path / "frames"
    folder.mkdir()
    files = sorted(path.iterdir())
    for file in files:
        (folder / file.name).write_bytes(file.read_bytes())
    halve(folder / files[-1].name)
    with open_capture(path) as complete, open_capture(folder) as capture:
        assert_prefix(capture, complete, COUNT - 1)
        assert capture.frames_lost == 1
    halve(folder / files[3].name)
    with pytest.raises(CaptureError, match=files[3].name):
        open_capture(folder)


def halve(file: Path) -> None:
    data = file.read_bytes()
    file.write_bytes(data[: len(data) // 2])


def assert_prefix(capture: Capture, complete: Capture, whole: int) -> None:
    assert len(capture) == whole
    for index, frame in enumerate(capture):
        assert_array_equal(frame, complete.get_frame(index))
    assert any("not whole" in note for note in capture.notes) == bool(capture.frames_lost)
