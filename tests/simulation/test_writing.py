"""Captures are written as a stream, whole or not at all."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.capture import CaptureError, open_capture
from stacker.simulation.writing import KINDS, write_capture


def stream(count: int, shape: tuple[int, ...] = (48, 64)) -> Iterator[NDArray[np.uint8]]:
    rng = np.random.default_rng(17)
    for _ in range(count):
        yield rng.integers(0, 256, shape).astype(np.uint8)


GRAY_KINDS = [kind for kind in KINDS if kind not in ("avi-16", "avi-colour")]


@pytest.mark.parametrize("kind", GRAY_KINDS)
def test_broken_stream_leaves_nothing(tmp_path: Path, kind: str) -> None:
    """A frame that cannot be made ends the writing; neither a part nor a temporary file stays."""

    def broken() -> Iterator[NDArray[np.uint8]]:
        yield from stream(3)
        raise RuntimeError("the sky fell")

    with pytest.raises(RuntimeError, match="the sky fell"):
        write_capture(tmp_path / "a", broken(), kind=kind, bits=8)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", GRAY_KINDS)
def test_rewriting_replaces(tmp_path: Path, kind: str) -> None:
    """A second writing takes the place of the first, folders included, and leaves no old frame."""
    for count in (5, 2):
        write_capture(tmp_path / "a", stream(count), kind=kind, bits=8)
        with open_capture(tmp_path / "a") as capture:
            assert len(capture) == count
    assert [entry.name for entry in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize("kind", ["avi", "fits", "tiff", "png"])
def test_full_disk_is_one_line(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last step refused: a clear error, the earlier capture untouched."""
    write_capture(tmp_path / "a", stream(4), kind=kind, bits=8)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    monkeypatch.setattr("shutil.rmtree", lambda *_, **__: None)
    with pytest.raises(CaptureError, match="No space left"):
        write_capture(tmp_path / "a", stream(2), kind=kind, bits=8)
    monkeypatch.undo()
    with open_capture(tmp_path / "a") as capture:
        assert len(capture) == 4


@pytest.mark.parametrize("kind", ["avi", "fits", "tiff", "ffv1"])
def test_memory_does_not_grow_with_the_frames(tmp_path: Path, kind: str) -> None:
    """Two hundred frames of 128 kB need no more than a few of them."""
    write_capture(tmp_path / "warm", stream(3, (256, 512)), kind=kind, bits=8)
    tracemalloc.start()
    write_capture(tmp_path / "a", stream(200, (256, 512)), kind=kind, bits=8)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20 * 256 * 512


@pytest.mark.parametrize(
    ("kind", "shape", "dtype", "bits"),
    [
        ("avi", (8, 8), np.uint16, 12),
        ("avi", (8, 8, 3), np.uint8, 8),
        ("avi-16", (8, 8), np.uint8, 8),
        ("avi-colour", (8, 8), np.uint8, 8),
        ("png", (8, 8), np.float32, 32),
        ("jpeg", (8, 8), np.uint8, 12),
        ("betamax", (8, 8), np.uint8, 8),
    ],
)
def test_what_a_kind_cannot_hold_is_refused(
    tmp_path: Path, kind: str, shape: tuple[int, ...], dtype: type[np.generic], bits: int
) -> None:
    """Nothing is narrowed or guessed in silence."""
    with pytest.raises(ValueError, match=kind):
        write_capture(tmp_path / "a", [np.zeros(shape, dtype)], kind=kind, bits=bits)
    with pytest.raises(ValueError, match="at least one frame"):
        write_capture(tmp_path / "a", [], kind="avi", bits=8)
    with pytest.raises(ValueError, match="the first"):
        write_capture(tmp_path / "a", [np.zeros((8, 8), np.uint8), np.zeros((8, 9), np.uint8)], kind="avi", bits=8)
    assert list(tmp_path.iterdir()) == []
