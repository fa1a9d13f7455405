"""The frame-parallel map keeps order, bounds its look-ahead and hands on exceptions (contract of our own)."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from stacker.parallel import ordered_map


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_results_come_in_the_order_of_the_items(workers: int) -> None:
    """Late items that finish early still wait for their turn."""

    def slow_at_first(i: int) -> int:
        time.sleep(0.004 if i % 5 == 0 else 0)
        return i * i

    assert list(ordered_map(slow_at_first, range(40), workers)) == [i * i for i in range(40)]


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


@pytest.mark.parametrize("workers", [1, 3])
def test_an_exception_arrives_in_its_place(workers: int) -> None:
    """Results before the failing item are handed on first."""

    def fails_at_7(i: int) -> int:
        if i == 7:
            raise ZeroDivisionError("seven")
        return i

    seen: list[int] = []
    with pytest.raises(ZeroDivisionError, match="seven"):
        seen.extend(ordered_map(fails_at_7, range(20), workers))
    assert seen == list(range(7))


@pytest.mark.parametrize("workers", [1, 3])
def test_a_failing_source_still_delivers_what_came_before(workers: int) -> None:
    """A reader that breaks at frame 4 has delivered frames 0-3."""

    def source() -> Iterator[int]:
        yield from range(4)
        raise OSError("gone")

    seen: list[int] = []
    with pytest.raises(OSError, match="gone"):
        seen.extend(ordered_map(abs, source(), workers, lookahead=8))
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
