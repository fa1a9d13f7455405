"""Frames come to the work in batches that do not depend on the workers, whether read in sequence or picked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from astropy.io import fits

from stacker.capture import Capture, open_capture
from stacker.capture.each_frame import Frames, each_batch, meanwhile


@pytest.fixture(params=["picked", "in sequence"])
def capture(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Capture]:
    """Forty-five frames, each as bright as its number."""
    if request.param == "picked":
        path = tmp_path / "night.fits"
        fits.writeto(path, np.arange(45, dtype=np.uint8)[:, None, None] * np.ones((8, 9), np.uint8))
    else:
        path = tmp_path / "night"
        path.mkdir()
        for number in range(45):
            cv2.imwrite(str(path / f"{number}.png"), np.full((8, 9), number, np.uint8))
    with open_capture(path) as opened:
        assert opened.is_sequential == (request.param == "in sequence")
        yield opened


def _levels(frames: Frames) -> list[tuple[int, int]]:
    return [(place, int(frame[0, 0])) for place, frame in frames]


@pytest.mark.parametrize("workers", [1, 2])
def test_every_wanted_frame_comes_once_and_in_order(capture: Capture, workers: int) -> None:
    wanted = list(range(3, 43))
    batches = list(each_batch(capture, wanted, _levels, workers))
    assert sum(batches, []) == list(enumerate(wanted))
    assert [len(batch) for batch in batches] == [10] * 4
    assert list(each_batch(capture, wanted, _levels, workers, quick=True)) == batches


def test_no_frame_is_no_batch(capture: Capture) -> None:
    assert not list(each_batch(capture, [], _levels))


@pytest.mark.parametrize("workers", [1, 2])
def test_work_beside_reads_frames_and_is_done_once(capture: Capture, workers: int, tmp_path: Path) -> None:
    done = tmp_path / "done"

    def work(workers: int) -> tuple[int, int]:
        with done.open("a") as file:
            file.write("x")
        return int(capture.get_frame(7)[0, 0]), workers

    with meanwhile(capture, work, workers) as result:
        assert [result(), result()] == [(7, 1 if capture.has_random_access else workers)] * 2
    assert done.read_text() == "x"


@pytest.mark.parametrize("workers", [1, 2])
def test_what_goes_wrong_beside_is_raised_where_it_is_asked_for(capture: Capture, workers: int) -> None:
    with meanwhile(capture, lambda _: capture.get_frame(99), workers) as result, pytest.raises(IndexError):
        result()
