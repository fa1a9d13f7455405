"""Mono pictures saved in colour are mono captures; real colour stays."""

from __future__ import annotations

from pathlib import Path

import imageio.v3 as imageio
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from stacker.calibration import calibrate
from stacker.capture import open_capture
from stacker.pipeline import process

Frames = list[np.ndarray[tuple[int, ...], np.dtype[np.uint8]]]


def discs(count: int = 24) -> Frames:
    """A textured disc that moves a little, with noise."""
    rng = np.random.default_rng(8)
    rows, columns = np.mgrid[:72, :80].astype(np.float32)
    made = []
    for _ in range(count):
        y, x = rows - 36 - rng.normal(), columns - 40 - rng.normal()
        scene = 10 + (130 + 30 * np.sin(y / 2.5) + 15 * np.cos(x / 3)) / (1 + np.exp(np.hypot(y, x) - 24))
        made.append(np.clip(scene + rng.normal(0, 2, scene.shape), 0, 255).astype(np.uint8))
    return made


def saved_in_colour(folder: Path, frames: Frames, spoilt: bool = False) -> Path:
    folder.mkdir()
    for number, frame in enumerate(frames):
        picture = np.repeat(frame[..., None], 3, 2)
        if spoilt:
            picture[5, 6, 2] ^= 1
        imageio.imwrite(folder / f"{number}.png", picture)
    return folder


@pytest.mark.parametrize("order", [[0, 3, 2], [1, 4]])
def test_equal_colours_are_one_plane(tmp_path: Path, order: list[int]) -> None:
    """By index and in a run, with and without a buffer; the notes tell."""
    frames = discs(5)
    with calibrate(open_capture(saved_in_colour(tmp_path / "a", frames))) as capture:
        assert (capture.shape, len(capture)) == ((72, 80), 5)
        assert any("taken as a mono capture" in note for note in capture.notes)
        buffer = np.empty((72, 80), np.uint8)
        for index in order:
            assert_array_equal(capture.get_frame(index), frames[index])
            assert capture.get_frame(index, buffer) is buffer
            assert_array_equal(buffer, frames[index])
        for index, frame in capture.read(sorted(order)):
            assert_array_equal(frame, frames[index])
        with pytest.raises(ValueError, match="out must be"):
            capture.get_frame(0, np.empty((72, 80, 3), np.uint8))


def test_one_odd_value_keeps_the_colours(tmp_path: Path) -> None:
    with calibrate(open_capture(saved_in_colour(tmp_path / "a", discs(5), spoilt=True))) as capture:
        assert capture.shape == (72, 80, 3)


def test_the_picture_is_that_of_the_mono_capture(tmp_path: Path) -> None:
    """The same pixels give the same stack, however they were saved."""
    frames = discs()
    (tmp_path / "mono").mkdir()
    for number, frame in enumerate(frames):
        imageio.imwrite(tmp_path / "mono" / f"{number}.png", frame)
    saved_in_colour(tmp_path / "colour", frames)
    stacks = [process(tmp_path / name, tmp_path / "runs").folder / "stack.tif" for name in ("mono", "colour")]
    assert_array_equal(*(imageio.imread(path) for path in stacks))
