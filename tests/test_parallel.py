"""The frame-parallel maps keep order, bound their look-ahead and hand on exceptions (contract of our own)."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from stacker import parallel
from stacker.capture import CaptureError
from stacker.forks import bury, may_fork
from stacker.parallel import forked_map, ordered_map

Map = Callable[..., Iterator[int]]


@pytest.fixture
def forking(monkeypatch: pytest.MonkeyPatch) -> None:
    """Copy processes although other tests have left sleeping threads behind."""
    if sys.platform != "linux":
        pytest.skip("processes are copied on Linux only")
    monkeypatch.setattr(parallel, "may_fork", lambda: True)


@pytest.mark.parametrize("spread", [ordered_map, forked_map])
@pytest.mark.parametrize("workers", [1, 2, 4])
def test_results_come_in_the_order_of_the_items(spread: Map, workers: int) -> None:
    """Late items that finish early still wait for their turn."""

    def slow_at_first(i: int) -> int:
        time.sleep(0.004 if i % 5 == 0 else 0)
        return i * i

    assert list(spread(slow_at_first, range(40), workers)) == [i * i for i in range(40)]


@pytest.mark.parametrize("workers", [1, 3])
def test_never_more_than_the_lookahead_is_taken_from_the_source(workers: int) -> None:
    """Memory is bounded: items taken minus results handed on stays at most the look-ahead."""
    taken = 0

    def source() -> Iterator[int]:
        nonlocal taken
        for i in range(50):
            taken += 1
            yield i

    for done, _ in enumerate(ordered_map(abs, source(), workers, lookahead=5)):
        assert taken - done <= 5


@pytest.mark.parametrize("spread", [ordered_map, forked_map])
@pytest.mark.parametrize("workers", [1, 3])
def test_an_exception_arrives_in_its_place(spread: Map, workers: int) -> None:
    """Results before the failing item are handed on first."""

    def fails_at_7(i: int) -> int:
        if i == 7:
            raise ZeroDivisionError("seven")
        return i

    seen: list[int] = []
    with pytest.raises(ZeroDivisionError, match="seven"):
        seen.extend(spread(fails_at_7, range(20), workers))
    assert seen == list(range(7))


@pytest.mark.parametrize("spread", [ordered_map, forked_map])
@pytest.mark.parametrize("workers", [1, 3])
def test_a_failing_source_still_delivers_what_came_before(spread: Map, workers: int) -> None:
    """A reader that breaks at frame 4 has delivered frames 0-3."""

    def source() -> Iterator[int]:
        yield from range(4)
        raise OSError("gone")

    seen: list[int] = []
    with pytest.raises(OSError, match="gone"):
        seen.extend(spread(abs, source(), workers))
    assert seen == [0, 1, 2, 3]


def test_one_worker_starts_no_thread_and_several_leave_none_behind() -> None:
    """Stopping early shuts the pool down."""
    before = threading.active_count()
    here = threading.get_ident()
    assert set(ordered_map(lambda _: threading.get_ident(), range(5), 1)) == {here}
    results = ordered_map(lambda _: threading.get_ident(), range(50), 3)
    assert next(results) != here
    results.close()  # type: ignore[attr-defined]
    assert threading.active_count() == before


def test_bad_numbers_are_refused() -> None:
    """Zero workers or no look-ahead is a mistake of the caller."""
    with pytest.raises(ValueError, match="at least 1"):
        ordered_map(abs, [1], 0)
    with pytest.raises(ValueError, match="at least 1"):
        ordered_map(abs, [1], 2, 0)


@pytest.mark.usefixtures("forking")
def test_processes_hand_over_arrays_of_any_size_and_layout() -> None:
    made = [np.arange(size, dtype=kind) for size in (0, 3, 5000, 2_000_000) for kind in (np.uint8, np.float64)]
    items = [*made, np.arange(600_000).reshape(600, 1000)[::2, ::3], np.asfortranarray(np.ones((300, 200)))]
    for given, (twice, same) in zip(items, forked_map(lambda a: (a * 2, a), items, 2), strict=True):
        np.testing.assert_array_equal(twice, given * 2)
        np.testing.assert_array_equal(same, given)
        same[...] = 0
    # Nothing that was handed over is a view of what is sent later.
    held = list(forked_map(lambda number: np.full(100_000, number), range(30), 2))
    assert [int(array.min()) for array in held] == [int(array.max()) for array in held] == list(range(30))


@pytest.mark.usefixtures("forking")
def test_processes_are_others_and_leave_nothing_behind() -> None:
    open_before = len(os.listdir("/proc/self/fd"))
    results = forked_map(lambda _: os.getpid(), range(40), 2)
    first = next(results)
    assert first != os.getpid()
    results.close()  # type: ignore[attr-defined]
    bury()
    with pytest.raises(ProcessLookupError):
        os.kill(first, 0)
    assert len(os.listdir("/proc/self/fd")) == open_before


@pytest.mark.usefixtures("forking")
def test_what_a_process_raises_keeps_its_kind_and_words() -> None:
    def broken(number: int) -> int:
        raise CaptureError(Path("night.avi"), f"frame {number} is gone", "copy it again")

    with pytest.raises(CaptureError, match=r"night.avi: frame 0 is gone; copy it again") as caught:
        list(forked_map(broken, range(3), 2))
    assert caught.value.path == Path("night.avi")


@pytest.mark.usefixtures("forking")
def test_a_process_that_dies_is_told_in_a_line() -> None:
    with pytest.raises(ChildProcessError, match="died"):
        list(forked_map(lambda number: os.kill(os.getpid(), 9) if number == 5 else number, range(20), 2))


@pytest.mark.usefixtures("forking")
def test_what_cannot_be_handed_over_is_told() -> None:
    with pytest.raises(RuntimeError, match="cannot be handed over"):
        list(forked_map(lambda _: threading.Lock(), range(3), 2))


def test_beside_a_second_thread_no_process_is_copied() -> None:
    """Whatever lock that thread holds at the moment would never be released in the copy."""
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    thread.start()
    try:
        assert not may_fork()
        assert set(forked_map(lambda _: os.getpid(), range(4), 2)) == {os.getpid()}
    finally:
        done.set()
        thread.join()


@pytest.mark.usefixtures("forking")
def test_copies_do_not_wait_for_threads_of_opencv() -> None:
    """Copied while one of its threads held a lock, 2 of 3000 processes hung in the next large operation."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(2)
    try:
        assert list(forked_map(lambda _: cv2.getNumThreads(), range(4), 2)) == [1] * 4
        assert cv2.getNumThreads() == 2
    finally:
        cv2.setNumThreads(before)
