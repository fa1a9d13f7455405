"""Decoding wanted frames of a video: forward where that is possible, by seeking where it must be."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from stacker.capture.packets import PacketTable, open_container, packets

_FARTHEST_SKIP = 16
"""Frames that random access rather reads past than seeks over."""


class FrameDecoder:
    """One open container and its place in it; not safe for several threads."""

    def __init__(
        self,
        path: Path,
        table: PacketTable,
        *,
        seeking: bool,
        passing: Callable[[int, Any], None] | None = None,
    ) -> None:
        """Open `path`; `passing` is called with number and picture of what had to be decoded on the way to a frame."""
        self._path, self._table, self._seeking, self._passing = path, table, seeking, passing
        self._rank = {stamp: number for number, stamp in enumerate(table.times or ())}
        self._container: Any = None
        self._stream: Any = None
        self._pictures: Iterator[tuple[Any, int]] = iter(())
        self._pending: tuple[Any, int] | None = None
        self._next = self._wanted = self._whole_from = 0
        self._begin()

    def close(self) -> None:
        """Release the container."""
        self._pictures = iter(())
        self._pending = None
        self._container.close()

    def frame(self, index: int) -> Any | None:
        """Return the decoded picture of frame `index`, or None where the decoder yields none for it."""
        if index < self._next or self._worth_seeking(index):
            self._go_to(index)
        self._wanted = index
        while True:
            picture, number = self._pending or next(self._pictures, (None, self._table.count))
            self._pending = None
            if number < index:
                # Frames shown before the one that decoding began with may lack others that they were predicted from.
                if self._passing is not None and number >= self._whole_from:
                    self._passing(number, picture)
                continue
            self._next = index + 1 if picture is not None else self._table.count
            if number == index:
                return picture
            self._pending = None if picture is None else (picture, number)
            return None

    def _begin(self) -> None:
        self._container, self._stream = open_container(self._path)
        # Frame threads hand pictures out late; where single packets are decoded each must come back at once.
        self._stream.thread_type = "SLICE" if self._table.intra_only else "AUTO"
        self._next = self._wanted = self._whole_from = 0
        self._pending = None
        self._pictures = self._decoded()

    def _keyframe_before(self, index: int) -> int:
        return self._table.keyframes[max(0, bisect_right(self._table.keyframes, index) - 1)]

    def _worth_seeking(self, index: int) -> bool:
        return self._seeking and bool(self._rank) and self._keyframe_before(index) > self._next + _FARTHEST_SKIP

    def _go_to(self, index: int) -> None:
        """Move to or before frame `index`: by its keyframe's time stamp, else by beginning again."""
        if not (self._rank and self._sought(index)):
            self.close()
            self._begin()

    def _sought(self, index: int) -> bool:
        import av

        keyframe = self._keyframe_before(index)
        stamp = (self._table.times or [])[keyframe]
        try:
            self._container.seek(stamp, stream=self._stream, backward=True)
        except (av.error.FFmpegError, OSError, ValueError):
            return False
        self._wanted, self._whole_from = 0, keyframe
        self._pictures = self._decoded()
        self._pending = next(self._pictures, None)
        self._next = 0 if self._pending is None else self._pending[1]
        return self._pending is not None and self._next <= index

    def _decoded(self) -> Iterator[tuple[Any, int]]:
        """Yield `(picture, frame number)` in the decoder's order."""
        return self._decoded_singly() if self._table.intra_only else self._decoded_in_sequence()

    def _decoded_singly(self) -> Iterator[tuple[Any, int]]:
        """Decode only packets from the wanted frame on: the others are dropped unseen."""
        for number, packet in enumerate(packets(self._container, self._stream)):
            own = self._rank.get(packet.pts, -1) if self._rank else number
            if own >= self._wanted:
                yield from ((picture, own) for picture in self._pictures_of(packet)[:1])

    def _decoded_in_sequence(self) -> Iterator[tuple[Any, int]]:
        """Decode everything; a picture's number is the rank of its time stamp, or else its turn."""
        turn = 0
        for packet in self._flushed():
            for picture in self._pictures_of(packet):
                turn = self._rank.get(picture.pts, turn)
                yield picture, turn
                turn += 1

    def _flushed(self) -> Iterator[Any]:
        yield from packets(self._container, self._stream)
        yield None

    def _pictures_of(self, packet: Any) -> list[Any]:
        import av

        try:
            return list(self._stream.codec_context.decode(packet))
        except (av.error.FFmpegError, EOFError):
            return []
