"""What must be decoded is decoded once where it is asked for again: same frames, nothing left, no room no harm."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from itertools import chain, repeat
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_array_equal
from numpy.typing import NDArray

from stacker.capture import Capture, open_capture
from stacker.capture.each_frame import each_batch, meanwhile
from stacker.pipeline import process
from stacker.simulation.writing import write_capture

COUNT, HEIGHT, WIDTH = 24, 46, 62
KINDS = ["ffv1.mkv", "h264.mp4", "png", "deflated.tif"]


def pictures() -> Iterator[NDArray[Any]]:
    """A drifting pattern with noise."""
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[:HEIGHT, :WIDTH]
    for number in range(COUNT):
        scene = 120 + 60 * np.sin(rows / 9) * np.cos((columns + number) / 13)
        yield np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)


@pytest.fixture(params=KINDS)
def recorded(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / request.param
    if path.suffix != ".tif":
        return write_capture(path, pictures(), kind=path.stem, bits=8)
    with tifffile.TiffWriter(path) as tiff:
        for picture in pictures():
            tiff.write(picture, compression="zlib", contiguous=False)
    return path


@pytest.fixture
def expected(recorded: Path) -> list[NDArray[Any]]:
    with open_capture(recorded) as capture:
        return list(capture)


@contextmanager
def _disk_with(free_bytes: float, after: float | None = None) -> Iterator[None]:
    """Let every disk have so many bytes free, and `after` from the sixth time on that anybody asks."""
    usage = shutil.disk_usage("/")
    with pytest.MonkeyPatch.context() as patch:
        left = chain(repeat(free_bytes, 5), repeat(free_bytes if after is None else after))
        patch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=next(left)))
        yield


WITHOUT_ROOM = {
    "too little from the first": lambda _: _disk_with(COUNT * HEIGHT * WIDTH),
    "others take it": lambda _: _disk_with(9 * COUNT * HEIGHT * WIDTH, after=2 * COUNT * HEIGHT * WIDTH),
    "none after five frames": lambda disk_of: disk_of(5 * HEIGHT * WIDTH + 100),
}


def nameless_bytes() -> int:
    """Return the size of all files of this process that have no name, as the kernel counts them."""
    if not Path("/proc/self/fd").is_dir():
        pytest.skip("this system does not list open files")
    found = []
    for entry in Path("/proc/self/fd").iterdir():
        try:
            found.append(entry.stat())
        except OSError:  # the one by which the folder is listed
            continue
    return sum(one.st_size for one in found if one.st_nlink == 0)


def gone(path: Path) -> None:
    shutil.rmtree(path) if path.is_dir() else path.unlink()


def test_after_one_pass_the_file_is_not_needed(recorded: Path, expected: list[NDArray[Any]]) -> None:
    """Every frame comes in any order and by any way, value for value, when the capture itself has been deleted."""
    with open_capture(recorded) as capture:
        capture.decode_once()
        assert not capture.has_random_access
        for frame, other in zip(capture, expected, strict=True):
            assert_array_equal(frame, other)
        assert capture.has_random_access
        gone(recorded)
        for index in np.random.default_rng(1).permutation(COUNT):
            assert_array_equal(capture.get_frame(int(index)), expected[index])
        for index, frame in capture.read([2, 3, 17]):
            assert_array_equal(frame, expected[index])
        strided = np.empty((HEIGHT, 2 * WIDTH), np.uint8)[:, ::2]
        assert_array_equal(capture.get_frame(5, strided), expected[5])


def test_frames_met_here_and_there_are_decoded_once(recorded: Path, expected: list[NDArray[Any]]) -> None:
    """Some by number, some in a stretch, the rest in a last pass between them."""
    with open_capture(recorded) as capture:
        capture.decode_once()
        capture.get_frame(11)
        list(capture.read([3, 4, 19]))
        assert not capture.has_random_access
        assert_array_equal(list(capture), expected)
        assert capture.has_random_access
        assert_array_equal(list(capture), expected)


def test_who_looks_once_keeps_nothing(recorded: Path) -> None:
    """Without the call a pass over the whole capture writes nothing."""
    before = nameless_bytes()
    with open_capture(recorded) as capture:
        list(capture)
        capture.get_frame(3)
        assert nameless_bytes() == before


def test_frames_are_kept_as_deep_as_they_are_stored(recorded: Path) -> None:
    """Eight bits take a byte a pixel, and no more; closing gives the room back."""
    before = nameless_bytes()
    with open_capture(recorded) as capture:
        capture.decode_once()
        list(capture)
        assert nameless_bytes() == before + COUNT * HEIGHT * WIDTH
    assert nameless_bytes() == before


@pytest.mark.parametrize("room", WITHOUT_ROOM)
def test_without_room_each_pass_decodes(
    recorded: Path, expected: list[NDArray[Any]], room: str, disk_of: Callable[[int], AbstractContextManager[None]]
) -> None:
    """Frames and notes are those of a disk with room, no byte stays, and the capture stays in sequence."""
    before = nameless_bytes()
    with open_capture(recorded) as capture, WITHOUT_ROOM[room](disk_of):
        notes = capture.notes
        capture.decode_once()
        for _ in range(2):
            assert_array_equal(list(capture), expected)
            assert_array_equal(capture.get_frame(2), expected[2])
            assert capture.has_random_access != capture.is_sequential
        assert nameless_bytes() == before
        assert capture.notes == notes


def test_a_folder_for_temporary_files_that_is_missing(
    recorded: Path, expected: list[NDArray[Any]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import tempfile

    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "missing"))
    with open_capture(recorded) as capture:
        capture.decode_once()
        assert_array_equal(list(capture), expected)
        assert capture.has_random_access != capture.is_sequential


@pytest.mark.parametrize("work", [lambda c: list(c), lambda c: [c.get_frame(i) for i in range(COUNT)]])
def test_several_threads_fill_and_read(
    recorded: Path, expected: list[NDArray[Any]], work: Callable[[Capture], list[NDArray[Any]]]
) -> None:
    with open_capture(recorded) as capture:
        capture.decode_once()
        seen: list[list[NDArray[Any]]] = []
        threads = [threading.Thread(target=lambda: seen.append(work(capture))) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(seen) == 4
        for frames in seen:
            assert_array_equal(frames, expected)
        assert capture.has_random_access


@pytest.mark.parametrize("workers", [1, 2])
def test_copies_of_the_process_share_the_frames(recorded: Path, expected: list[NDArray[Any]], workers: int) -> None:
    """Batches, and work beside: every frame as before, and in the same batches as while they are decoded."""

    def work(frames: Any) -> list[tuple[int, bytes]]:
        return [(place, frame.tobytes()) for place, frame in frames]

    with open_capture(recorded) as capture:
        capture.decode_once()
        wanted = range(1, COUNT)
        decoding = list(each_batch(capture, wanted, work, workers))
        list(capture)
        gone(recorded)
        assert list(each_batch(capture, wanted, work, workers)) == decoding
        assert sum(decoding, []) == [(place, frame.tobytes()) for place, frame in enumerate(expected[1:])]
        with meanwhile(capture, lambda _: capture.get_frame(7), workers) as found:
            assert_array_equal(found(), expected[7])


def test_work_beside_is_done_by_a_copy(recorded: Path) -> None:
    """While frames must be decoded it waits; afterwards another process does it."""
    if sys.platform != "linux":
        pytest.skip("copies of a process are sound on Linux alone")
    with open_capture(recorded) as capture:
        capture.decode_once()
        with meanwhile(capture, lambda _: os.getpid(), 2) as process_id:
            assert process_id() == os.getpid()
        list(capture)
        with meanwhile(capture, lambda _: os.getpid(), 2) as process_id:
            assert process_id() != os.getpid()


def test_a_capture_cut_while_it_is_processed(recorded: Path, expected: list[NDArray[Any]]) -> None:
    """What was decoded stays whole, and nothing is said of it."""
    with open_capture(recorded) as capture:
        notes = capture.notes
        capture.decode_once()
        list(capture)
        files = sorted(recorded.iterdir()) if recorded.is_dir() else [recorded]
        for file in files:
            os.truncate(file, file.stat().st_size // 2)
        assert_array_equal(list(capture), expected)
        assert capture.notes == notes


def test_a_video_that_grows(tmp_path: Path) -> None:
    """Bytes that come after the opening are another capture's business."""
    whole = write_capture(tmp_path / "whole.mkv", pictures(), kind="ffv1", bits=8)
    data, growing = whole.read_bytes(), tmp_path / "growing.mkv"
    growing.write_bytes(data[: len(data) // 2])
    with open_capture(whole) as complete, open_capture(growing) as capture:
        count, lost = len(capture), capture.frames_lost
        capture.decode_once()
        growing.write_bytes(data)
        for _ in range(2):
            for frame, other in zip(capture, complete, strict=False):
                assert_array_equal(frame, other)
        assert (len(capture), capture.frames_lost) == (count, lost)
        assert count + lost == COUNT
        assert capture.has_random_access


KILLED = """
import sys, time
from stacker.capture import open_capture
with open_capture(sys.argv[1]) as capture:
    capture.decode_once()
    list(capture)
    print(capture.has_random_access, flush=True)
    time.sleep(60)
"""


def test_a_killed_process_leaves_nothing(recorded: Path, tmp_path: Path) -> None:
    folder = tmp_path / "temporary"
    folder.mkdir()
    command = [sys.executable, "-c", KILLED, str(recorded)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, "TMPDIR": str(folder)}) as killed:
        assert killed.stdout is not None
        assert killed.stdout.readline() == b"True\n"
        killed.send_signal(signal.SIGKILL)
    assert list(folder.iterdir()) == []


@pytest.fixture(scope="module")
def planet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small disc with belts, 36 frames in lossless compression."""
    rng = np.random.default_rng(5)
    rows, columns = np.mgrid[:96, :96].astype(np.float32) - 48

    def frames() -> Iterator[NDArray[Any]]:
        for _ in range(36):
            y, x = rows - rng.normal(0, 1), columns - rng.normal(0, 1)
            scene = 10 + (120 + 20 * np.sin(y / 4) + 10 * np.sin(x / 5)) / (1 + np.exp(np.hypot(y, x) - 30))
            yield np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)

    return write_capture(tmp_path_factory.mktemp("planet") / "planet.mkv", frames(), kind="ffv1", bits=8)


def test_pictures_are_the_same_with_and_without_room(planet: Path, tmp_path: Path) -> None:
    """One worker, two workers, and two on a disk without room: the same bytes in every image and in frames.csv."""
    runs = [process(planet, tmp_path / str(workers), workers=workers).folder for workers in (1, 2)]
    with _disk_with(0):
        runs += [process(planet, tmp_path / "no room", workers=2).folder]
    names = ["frames.csv", *(file.name for file in runs[0].iterdir() if file.suffix in (".fits", ".tif", ".png"))]
    assert len(names) >= 6
    for other in runs[1:]:
        assert [name for name in names if (other / name).read_bytes() != (runs[0] / name).read_bytes()] == []
