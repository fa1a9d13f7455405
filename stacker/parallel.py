"""Work on frames by several workers, handed on in the order of the frames, with bounded memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache, partial
from typing import TypeVar

from stacker.forks import Team, may_fork

Item = TypeVar("Item")
Result = TypeVar("Result")


def ordered_map(
    function: Callable[[Item], Result], items: Iterable[Item], workers: int = 1, lookahead: int | None = None
) -> Iterator[Result]:
    """Yield `function(item)` for every item, in the order of the items, worked out by threads.

    `items` is iterated in the caller's thread, so a sequential reader may stand behind it; at most `lookahead`
    items (default twice the workers) are taken ahead of the result that is handed on, which bounds the memory.
    With one worker everything runs inline and no thread is started. The first exception of `function` or of
    `items` reaches the caller in its place in the order; work that has not begun is then dropped.

    Raises ValueError for fewer than one worker or a look-ahead below one.
    """
    ahead = 2 * workers if lookahead is None else lookahead
    if workers < 1 or ahead < 1:
        raise ValueError(f"workers ({workers}) and lookahead ({ahead}) must be at least 1")
    return map(function, items) if workers == 1 else _by_threads(function, items, workers, ahead)


def forked_map(function: Callable[[Item], Result], items: Iterable[Item], workers: int = 1) -> Iterator[Result]:
    """Yield the same by processes of this one's kind, where such are safe; else by threads.

    Threads take turns at the one interpreter: on two processors they do the work of 1.2, processes that of 1.9. What
    `function` changes stays in its process: all that counts must be in its result.
    """
    if workers < 2 or not may_fork():
        return ordered_map(function, items, workers)
    return _by_processes(function, items, workers)


@contextmanager
def beside(work: Callable[[int], Result], workers: int = 1, niceness: int = 0) -> Iterator[Callable[[], Result]]:
    """Begin `work` in a copy of this process; what the context hands out waits for the result.

    `work` is given how many workers it may use: one in a copy, since the other processors have their work. With one
    worker, or where a copy is not sound, the work is done when its result is first asked for.
    """
    if workers < 2 or not may_fork():
        yield cache(partial(work, workers))
        return
    with Team[None, Result](lambda _: work(1), 1, niceness) as team:
        yield cache(team.give(None))


def _by_threads(
    function: Callable[[Item], Result], items: Iterable[Item], workers: int, ahead: int
) -> Iterator[Result]:
    pool = ThreadPoolExecutor(workers, thread_name_prefix="frames")
    try:
        yield from _in_order(lambda item: pool.submit(function, item).result, items, ahead)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _by_processes(function: Callable[[Item], Result], items: Iterable[Item], workers: int) -> Iterator[Result]:
    with Team(function, workers) as team:
        yield from _in_order(team.give, items, 2 * workers)


def _in_order(give: Callable[[Item], Callable[[], Result]], items: Iterable[Item], ahead: int) -> Iterator[Result]:
    """Give out items, each for a call that waits for its result; yield the results in order."""
    waiting: deque[Callable[[], Result]] = deque()
    source = iter(items)
    while True:
        try:
            item = next(source)
        except StopIteration:
            break
        except Exception:
            # The results of the items before the failure come first, as they do without workers.
            while waiting:
                yield waiting.popleft()()
            raise
        waiting.append(give(item))
        if len(waiting) >= ahead:
            yield waiting.popleft()()
    while waiting:
        yield waiting.popleft()()
