"""The packets of a video: how many frames it really holds, and decoding a given one of them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.positioned import unreadable
from stacker.capture.sequence import CaptureError

_FARTHEST_SKIP = 16
"""Packets that random access rather reads past than seeks over."""
_LOCAL_ONLY = {"protocol_whitelist": "file"}
_NO_VIDEO = ("ansi", "bintext", "xbin", "idf")
"""Codecs that draw text; a text file is no capture."""


@dataclass(frozen=True)
class PacketTable:
    """What demuxing the whole stream told."""

    width: int
    height: int
    count: int
    lost: int
    intra_only: bool
    keyframes: list[int]
    """Frames (in order of showing) from which decoding can begin."""
    times: list[int] | None
    """Time stamp of each frame in order of showing, in time-base units; None where the container has none."""
    offsets_s: NDArray[np.float64] | None

    def __len__(self) -> int:
        return self.count


def open_container(path: Path) -> tuple[Any, Any]:
    """Open `path` and return its container and first video stream; local files only, never a network address.

    Raises CaptureError where FFmpeg knows no video in it.
    """
    import av

    try:
        container = av.open(f"file:{path}", options=_LOCAL_ONLY)
    except OSError as error:
        if isinstance(error, (FileNotFoundError, PermissionError)):
            raise unreadable(path, error) from error
        raise _no_video(path) from error
    except ValueError as error:  # FFmpeg's "invalid data" reaches Python as one
        raise _no_video(path) from error
    streams = container.streams.video
    if not streams or streams[0].codec_context is None or streams[0].codec_context.name in _NO_VIDEO:
        container.close()
        raise _no_video(path)
    stream = streams[0]
    stream.thread_type = "AUTO"
    stream.thread_count = 2
    return container, stream


def _no_video(path: Path) -> CaptureError:
    return CaptureError(path, "holds no video that can be read", "check that the recording is whole and not another kind of file")


def survey_packets(path: Path) -> PacketTable:
    """Demux every packet of the video, which is exact where headers are missing or wrong."""
    container, stream = open_container(path)
    try:
        shown: list[tuple[int | None, bool]] = []
        cut = 0
        for packet in _packets(container, stream):
            if packet.is_corrupt:
                cut += 1
            else:
                shown.append((packet.pts, packet.is_keyframe))
        return _tabulate(stream, container, shown, cut)
    finally:
        container.close()


def _packets(container: Any, stream: Any) -> Iterator[Any]:
    """Yield the packets that hold data; a container that breaks off just ends."""
    import av

    try:
        for packet in container.demux(stream):
            if packet.size:
                yield packet
    except (av.error.FFmpegError, EOFError):
        return


def _tabulate(stream: Any, container: Any, shown: list[tuple[int | None, bool]], cut: int) -> PacketTable:
    count = len(shown)
    stamps = [stamp for stamp, _ in shown if stamp is not None]
    times = sorted(stamps) if len(set(stamps)) == count else None
    rank = {stamp: number for number, stamp in enumerate(times)} if times else {}
    keyframes = sorted(rank[stamp] if times and stamp is not None else number for number, (stamp, key) in enumerate(shown) if key)
    rate = float(stream.average_rate) if stream.average_rate else None
    return PacketTable(
        width=stream.codec_context.width,
        height=stream.codec_context.height,
        count=count,
        lost=max(cut, _promised(stream, container, rate) - count),
        intra_only=len(keyframes) == count,
        keyframes=keyframes or [0],
        times=times,
        offsets_s=_offsets_s(times, float(stream.time_base or 0), rate, count),
    )


def _promised(stream: Any, container: Any, rate: float | None) -> int:
    """Return how many frames the header claims: by count, or else by duration and rate; 0 where it does not say."""
    if stream.frames:
        return int(stream.frames)
    if container.duration and rate:
        return round(container.duration / 1e6 * rate)
    return 0


def _offsets_s(times: list[int] | None, tick_s: float, rate: float | None, count: int) -> NDArray[np.float64] | None:
    """Return seconds after the first frame: the even cadence where time stamps only round it, else the stamps."""
    even = np.arange(count) / rate if rate else None
    if times is None or not tick_s:
        return even
    stamped = (np.array(times, np.float64) - times[0]) * tick_s
    return even if even is not None and (np.abs(stamped - even) <= tick_s).all() else stamped


class FrameDecoder:
    """Decodes wanted frames of one open container, forward where it can, by seeking where it must."""

    def __init__(self, path: Path, table: PacketTable, *, seeking: bool) -> None:
        self._path, self._table, self._seeking = path, table, seeking
        self._begin()

    def close(self) -> None:
        """Release the container."""
        self._pictures = iter(())
        self._container.close()

    def frame(self, index: int) -> Any | None:
        """Return the decoded picture of frame `index`, or None where the decoder yields none for it."""
        if index < self._next or self._worth_seeking(index):
            self._go_to(index)
        self._wanted = index
        while True:
            picture, number = self._pending or next(self._pictures, (None, self._table.count))
            self._pending = None
            if number == index:
                self._next = index + 1
                return picture
            if number > index:
                self._pending = (picture, number) if picture is not None else None
                self._next = index + 1 if picture is not None else self._table.count
                return None

    def _begin(self) -> None:
        self._container, self._stream = open_container(self._path)
        self._next = 0
        self._start_at(0)

    def _start_at(self, packet_number: int) -> None:
        self._pending: tuple[Any, int] | None = None
        self._wanted = packet_number
        self._pictures: Iterator[tuple[Any, int]] = self._decoded(packet_number)

    def _worth_seeking(self, index: int) -> bool:
        if not self._seeking or self._table.times is None:
            return False
        keyframe = self._table.keyframes[max(0, bisect_right(self._table.keyframes, index) - 1)]
        return keyframe > self._next + _FARTHEST_SKIP

    def _go_to(self, index: int) -> None:
        times = self._table.times
        if times is not None:
            keyframe = self._table.keyframes[max(0, bisect_right(self._table.keyframes, index) - 1)]
            try:
                self._container.seek(times[keyframe], stream=self._stream, backward=True)
            except (OSError, ValueError):
                pass
            else:
                self._next = index
                self._start_at(0)
                first = next(self._pictures, None)
                if first is not None and first[1] <= index:
                    self._pending = first
                    return
        self.close()
        self._begin()

    def _decoded(self, packet_number: int) -> Iterator[tuple[Any, int]]:
        """Yield `(picture, frame number)` as the decoder delivers; frames nobody wants are not decoded where all are intra."""
        import av

        rank = {stamp: number for number, stamp in enumerate(self._table.times)} if self._table.times else None
        shown = packet_number
        for number, packet in enumerate(self._with_flush(), packet_number):
            if packet is not None and self._table.intra_only:
                own = rank.get(packet.pts, -1) if rank is not None else number
                if own < self._wanted:
                    continue
                shown = own
            try:
                pictures = self._stream.codec_context.decode(packet)
            except (av.error.FFmpegError, EOFError):
                continue
            for picture in pictures:
                place = rank.get(picture.pts, shown) if rank is not None and picture.pts is not None else shown
                shown = place + 1
                yield picture, place

    def _with_flush(self) -> Iterator[Any]:
        yield from (packet for packet in _packets(self._container, self._stream) if not packet.is_corrupt)
        yield None
