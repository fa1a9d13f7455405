"""Work on many frames of one capture at once, results in the order of the frames."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache, partial
from itertools import islice
from typing import TypeVar

from stacker.capture.sequence import Capture, CaptureError, Frame
from stacker.parallel import beside, forked_map, ordered_map

Result = TypeVar("Result")
Frames = Iterable[tuple[int, Frame]]

_MOST_AT_ONCE, _FEWEST_BATCHES = 64, 4
"""A batch has at most so many frames, and where there are enough frames there are at least so many batches: handing
over what a batch adds up to costs as much as two to four of its frames."""
_READ_AHEAD_BYTES = 1 << 23
"""Most that the frames of a batch take that has to be read by the caller."""
_GIVING_WAY = 19
"""Niceness of work beside other work: it takes the moments that the other leaves (begun before the averaging, a run
gains 5 % by it; at equal rank it gains nothing)."""


def each_frame(
    capture: Capture,
    indices: Sequence[int],
    work: Callable[[int, Frame], Result],
    workers: int = 1,
) -> Iterator[Result]:
    """Yield `work(place, frame)` for each frame of `indices` (rising), `place` counting them from 0, by threads.

    Frames that must be decoded in sequence are read by the caller, others where they are worked on. Raises what reading
    and `work` raise.
    """
    if not capture.has_random_access:
        reading = enumerate(frame for _, frame in capture.read(indices))
        return ordered_map(lambda item: work(*item), reading, workers)
    return ordered_map(lambda place: work(place, capture.get_frame(indices[place])), range(len(indices)), workers)


def each_batch(
    capture: Capture, indices: Sequence[int], work: Callable[[Frames], Result], workers: int = 1, quick: bool = False
) -> Iterator[Result]:
    """Yield `work((place, frame), ...)` for a few frames of `indices` (rising) after the other, by processes.

    What is summed over a batch is handed on once instead of frame by frame. How frames fall into batches does not
    depend on `workers`, nor on whether frames of a sequential capture have been decoded already; batches of such frames
    are smaller where the frames are large. `quick` work, done before a process has begun, goes to threads.
    """
    size = max(1, min(_MOST_AT_ONCE, -(-len(indices) // _FEWEST_BATCHES)))
    by_workers = partial(ordered_map, lookahead=workers) if quick else forked_map
    if capture.is_sequential:
        frame_bytes = capture.dtype.itemsize * math.prod(capture.shape)
        size = min(size, max(1, _READ_AHEAD_BYTES // frame_bytes))
    if not capture.has_random_access:
        reading = enumerate(frame for _, frame in capture.read(indices))
        return by_workers(work, iter(lambda: list(islice(reading, size)), []), workers)
    batches = [range(first, min(first + size, len(indices))) for first in range(0, len(indices), size)]
    return by_workers(lambda batch: work((p, capture.get_frame(indices[p])) for p in batch), batches, workers)


def read_or_pass(capture: Capture, indices: Sequence[int]) -> Iterator[tuple[int, Frame | None]]:
    """Yield `(index, frame)` for each of `indices` (rising), None for one that cannot be read; reading goes on."""
    done = 0
    while done < len(indices):
        try:
            for index, frame in capture.read(indices[done:]):
                yield index, frame
                done += 1
        except (CaptureError, OSError):
            yield indices[done], None
            done += 1


@contextmanager
def meanwhile(capture: Capture, work: Callable[[int], Result], workers: int = 1) -> Iterator[Callable[[], Result]]:
    """Begin `work`, which reads frames, as `beside` does, in the moments that other work leaves.

    A copy of this process is not sound either where it would have to decode in sequence: the decoder's threads do not
    come along.
    """
    if not capture.has_random_access:
        yield cache(partial(work, workers))
        return
    with beside(work, workers, _GIVING_WAY) as result:
        yield result
