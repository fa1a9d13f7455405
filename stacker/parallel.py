"""Work on frames in several threads, handed on in the order of the frames, with bounded memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


def ordered_map(
    function: Callable[[Item], Result], items: Iterable[Item], workers: int = 1, lookahead: int | None = None
) -> Iterator[Result]:
    """Yield `function(item)` for every item, in the order of the items.

    `items` is iterated in the caller's thread, so a sequential reader may stand behind it; at most `lookahead`
    items (default twice the workers) are taken ahead of the result that is handed on, which bounds the memory.
    With one worker everything runs inline and no thread is started. The first exception of `function` or of
    `items` reaches the caller in its place in the order; work that has not begun is then dropped.

    Raises ValueError for fewer than one worker or a look-ahead below one.
    """
    ahead = 2 * workers if lookahead is None else lookahead
    if workers < 1 or ahead < 1:
        raise ValueError(f"workers ({workers}) and lookahead ({ahead}) must be at least 1")
    return map(function, items) if workers == 1 else _threaded(function, items, workers, ahead)


def _threaded(function: Callable[[Item], Result], items: Iterable[Item], workers: int, ahead: int) -> Iterator[Result]:
    waiting: deque[Future[Result]] = deque()
    pool = ThreadPoolExecutor(workers, thread_name_prefix="frames")
    try:
        source = iter(items)
        while True:
            try:
                item = next(source)
            except StopIteration:
                break
            except Exception:
                # The results of the items before the failure come first, as they do without threads.
                while waiting:
                    yield waiting.popleft().result()
                raise
            waiting.append(pool.submit(function, item))
            if len(waiting) >= ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
