"""Work on many frames of one capture at once, results in the order of the frames."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from stacker.capture.sequence import Capture, Frame
from stacker.parallel import forked_map, ordered_map

Result = TypeVar("Result")


def each_frame(
    capture: Capture,
    indices: Sequence[int],
    work: Callable[[int, Frame], Result],
    workers: int = 1,
    apart: bool = False,
) -> Iterator[Result]:
    """Yield `work(place, frame)` for each frame of `indices` (rising), `place` counting them from 0.

    `apart` takes processes instead of threads where the result is smaller than the frame, see `forked_map`. Frames that
    must be decoded in sequence are read by the caller, others where they are worked on. Raises what reading and `work`
    raise.
    """
    spread = forked_map if apart else ordered_map
    if capture.is_sequential:
        reading = enumerate(frame for _, frame in capture.read(indices))
        return spread(lambda item: work(*item), reading, workers)
    return spread(lambda place: work(place, capture.get_frame(indices[place])), range(len(indices)), workers)
